"""Resampling of a calibrated sub onto the grid, in one pass, with its variance.

The kernel is Lanczos of order 3 (Duchon 1979, J. Appl. Meteorol. 18, 1016; Turkowski 1990, in
*Graphics Gems*, p. 147). Its negative lobes ring beside anything sharper than the optics can draw;
the result is therefore limited to what the surrounding pixels allow, in the manner of the
quasi-monotone schemes of Bermejo & Staniforth (1992, Mon. Weather Rev. 120, 2622): from below by
the lowest of the 4 x 4 pixels around, from above by the highest plus half their range - the summit
of a star may lie between pixels - and both widened by the noise.
"""

import numpy as np

from platelib.calibration import BAD
from platelib.kernels import kernel
from platelib.transforms import Transform

REACH = 3
"""Pixels on either side that a sample needs."""

_STEPS = 1024


def _weights_table() -> np.ndarray:
    """Six weights at each of 1024 subpixel phases, summing to 1, rounded to 1e-7."""
    phase = np.arange(_STEPS + 2) / _STEPS
    distance = phase[:, None] - np.arange(-2, 4)
    weights = np.sinc(distance) * np.sinc(distance / 3) * (np.abs(distance) < 3)
    return np.round(weights / weights.sum(axis=1, keepdims=True), 7).astype(np.float32)


_TABLE = _weights_table()


def source_rows(transform: Transform, rows: tuple[int, int], nx: int) -> tuple[int, int]:
    """Rows of the raw frame that a band of the grid may touch, kernel included.

    Parameters
    ----------
    transform : Transform
    rows : tuple of int
        First row of the band on the grid and the one after its last.
    nx : int
        Width of the grid.

    Returns
    -------
    tuple of int
        First row and the one after the last; they may lie outside the frame.
    """
    x, y = np.meshgrid(np.linspace(0, nx - 1, 9), np.linspace(rows[0], rows[1] - 1, 5))
    _, raw_y = transform(x, y)
    return int(np.floor(raw_y.min())) - REACH - 1, int(np.ceil(raw_y.max())) + REACH + 2


def resample(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    first_row: int,
    raw_shape: tuple[int, int],
    transform: Transform,
    rows: tuple[int, int],
    nx: int,
) -> tuple[np.ndarray, np.ndarray]:
    """Sample a band of the grid from a band of a raw frame.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(m, raw_nx)`` float32: rows of the calibrated sub from ``first_row``, bad pixels mended.
    mask : numpy.ndarray
        ``(m, raw_nx)`` uint8; pixels with bit 1 are not used.
    first_row : int
        Row of the raw frame that ``image[0]`` is.
    raw_shape : tuple of int
        ``(raw_ny, raw_nx)``.
    transform : Transform
        Grid to raw pixels.
    rows : tuple of int
        First row of the band on the grid and the one after its last.
    nx : int
        Width of the grid.

    Returns
    -------
    values, variances : numpy.ndarray
        ``(rows[1] - rows[0], nx)`` float32; NaN where the kernel leaves the frame or one of the
        four nearest pixels is bad. Variances are ``sum w^2 v``: neighbouring pixels of the result
        are correlated, see :func:`correlation_factor`.
    """
    shape = (rows[1] - rows[0], nx)
    values = np.empty(shape, dtype=np.float32)
    variances = np.empty(shape, dtype=np.float32)
    _resample(
        image,
        variance,
        mask,
        first_row,
        raw_shape[0],
        transform.x,
        transform.y,
        transform.degree,
        transform.centre_x,
        transform.centre_y,
        transform.scale,
        rows[0],
        _TABLE,
        values,
        variances,
    )
    return values, variances


def correlation_factor() -> float:
    """Noise of a large sum over pixels, over what independent pixels of the same variance give.

    Returns
    -------
    float
        ``1 / sqrt(mean of sum w^2)`` over uniformly distributed phases, both axes: the sum of many
        pixels keeps its noise in resampling while each single pixel loses some.
    """
    one_axis = float((_TABLE[:_STEPS].astype(np.float64) ** 2).sum(axis=1).mean())
    return 1 / one_axis


@kernel
def _polynomial(coefficients, degree, u, v):
    total = 0.0
    k = 0
    for order in range(degree + 1):
        for j in range(order + 1):
            term = coefficients[k]
            for _ in range(order - j):
                term *= u
            for _ in range(j):
                term *= v
            total += term
            k += 1
    return total


@kernel
def _resample(
    image,
    variance,
    mask,
    first_row,
    raw_ny,
    cx,
    cy,
    degree,
    centre_x,
    centre_y,
    scale,
    top,
    table,
    values,
    variances,
):
    held, raw_nx = image.shape
    a = np.empty(6, dtype=np.float32)
    b = np.empty(6, dtype=np.float32)
    for r in range(values.shape[0]):
        v = (top + r - centre_y) / scale
        for c in range(values.shape[1]):
            u = (c - centre_x) / scale
            x = _polynomial(cx, degree, u, v)
            y = _polynomial(cy, degree, u, v)
            ix = int(np.floor(x))
            iy = int(np.floor(y))
            row = iy - first_row
            values[r, c] = np.nan
            variances[r, c] = np.nan
            if ix < 2 or ix + 3 >= raw_nx or iy < 2 or iy + 3 >= raw_ny:
                continue
            if row < 2 or row + 3 >= held:
                continue
            near = mask[row, ix] | mask[row, ix + 1] | mask[row + 1, ix] | mask[row + 1, ix + 1]
            if near & BAD:
                continue
            _fill_weights(table, x - ix, a)
            _fill_weights(table, y - iy, b)
            _sample(image, variance, row, ix, a, b, values, variances, r, c)


@kernel
def _fill_weights(table, fraction, weights):
    place = fraction * 1024.0
    step = int(place)
    share = np.float32(place - step)
    for k in range(6):
        weights[k] = table[step, k] + share * (table[step + 1, k] - table[step, k])


@kernel
def _sample(image, variance, row, ix, a, b, values, variances, r, c):
    total = np.float32(0.0)
    spread = np.float32(0.0)
    low = image[row, ix]
    high = low
    for j in range(6):
        line = np.float32(0.0)
        line_spread = np.float32(0.0)
        for i in range(6):
            value = image[row + j - 2, ix + i - 2]
            line += a[i] * value
            line_spread += a[i] * a[i] * variance[row + j - 2, ix + i - 2]
            if 0 < i < 5 and 0 < j < 5:
                low = min(low, value)
                high = max(high, value)
        total += b[j] * line
        spread += b[j] * b[j] * line_spread
    # The quietest of the four nearest: a hot pixel's own noise must not widen the limits.
    upper = min(variance[row, ix], variance[row, ix + 1])
    noise = np.sqrt(min(upper, min(variance[row + 1, ix], variance[row + 1, ix + 1])))
    ceiling = high + np.float32(0.5) * (high - low) + noise
    values[r, c] = min(max(total, low - noise), ceiling)
    variances[r, c] = spread


def normalise(
    values: np.ndarray,
    variances: np.ndarray,
    factor: float,
    sky: np.ndarray,
    transform: Transform,
    first_row: int,
) -> None:
    """Scale a resampled band and take out its difference in sky, in place.

    Parameters
    ----------
    values, variances : numpy.ndarray
        ``(ny, nx)`` float32.
    factor : float
        Multiplies the values; its square the variances.
    sky : numpy.ndarray
        Coefficients of the polynomial that is subtracted after scaling, of degree 0, 1 or 2.
    transform : Transform
        Its normalisation of grid coordinates is used.
    first_row : int
        Row of the grid that ``values[0]`` is.
    """
    degree = {1: 0, 3: 1, 6: 2}[len(sky)]
    _normalise(
        values,
        variances,
        float(factor),
        np.asarray(sky, dtype=np.float64),
        degree,
        transform.centre_x,
        transform.centre_y,
        transform.scale,
        first_row,
    )


@kernel
def _normalise(values, variances, factor, sky, degree, centre_x, centre_y, scale, first_row):
    square = np.float32(factor * factor)
    for r in range(values.shape[0]):
        v = (first_row + r - centre_y) / scale
        for c in range(values.shape[1]):
            u = (c - centre_x) / scale
            values[r, c] = factor * values[r, c] - _polynomial(sky, degree, u, v)
            variances[r, c] *= square


def warm_up() -> None:
    """Compile the kernels of this module."""
    from platelib.transforms import identity

    image = np.ones((16, 20), dtype=np.float32)
    transform = identity(image.shape)
    mask = np.zeros(image.shape, dtype=np.uint8)
    values, variances = resample(image, image, mask, 0, image.shape, transform, (0, 16), 20)
    normalise(values, variances, 1.0, np.zeros(3), transform, 0)
