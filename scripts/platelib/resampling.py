"""Resampling of a calibrated sub onto the grid, in one pass, with its variance.

The kernel is that of :mod:`platelib.lanczos`. Its negative lobes ring beside anything sharper than
the optics can draw; the result is therefore limited to what the surrounding pixels allow, in the
manner of the quasi-monotone schemes of Bermejo & Staniforth (1992, Mon. Weather Rev. 120, 2622):
from below by the lowest of the 4 x 4 pixels around, from above by the highest plus half their range
- the summit of a star may lie between pixels - and both widened by the noise.
"""

import numpy as np

from platelib.kernels import kernel
from platelib.lanczos import CHUNK, POLYNOMIALS, fill_weights, lanczos, sample_between
from platelib.polynomials import along_row, row_polynomial
from platelib.transforms import Transform

REACH = 3
"""Pixels on either side that a sample needs."""


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
        ``(rows[1] - rows[0], nx)`` float32; NaN outside the frame and where one of the four
        nearest pixels is bad. Near its edge the outermost pixels count as repeated. Variances are
        ``sum w^2 v``: neighbouring pixels of the result are correlated, see
        :func:`correlation_factor`.
    """
    shape = (rows[1] - rows[0], nx)
    values = np.empty(shape, dtype=np.float32)
    variances = np.empty(shape, dtype=np.float32)
    x, y = transform.x, transform.y
    height, width = raw_shape
    if abs(x[2]) > abs(x[1]):
        # Rows of the grid run along columns of the frame: turn the frame.
        image, variance, mask = (np.ascontiguousarray(p.T) for p in (image, variance, mask))
        x, y, height, width = y, x, width, height
        offset = (0, first_row)
    else:
        offset = (first_row, 0)
    if x[1] < 0:
        image, variance, mask = (np.ascontiguousarray(p[:, ::-1]) for p in (image, variance, mask))
        x = -x
        x[0] += width - 1
        offset = (offset[0], width - offset[1] - image.shape[1])
    _resample(
        image,
        variance,
        mask,
        offset[0],
        offset[1],
        height,
        width,
        x,
        y,
        transform.degree,
        transform.centre_x,
        transform.centre_y,
        transform.scale,
        rows[0],
        POLYNOMIALS,
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
    phase = (np.arange(1024) + 0.5) / 1024
    squares = sum(lanczos(phase, tap) ** 2 for tap in range(-2, 4))
    return 1 / float(np.mean(squares))


@kernel
def _resample(
    image,
    variance,
    mask,
    first_row,
    first_column,
    raw_ny,
    raw_nx,
    cx,
    cy,
    degree,
    centre_x,
    centre_y,
    scale,
    top,
    polynomials,
    values,
    variances,
):
    held_ny, held_nx = image.shape
    row_x = np.empty(degree + 1)
    row_y = np.empty(degree + 1)
    x = np.empty(CHUNK)
    y = np.empty(CHUNK)
    ix = np.empty(CHUNK, dtype=np.int32)
    iy = np.empty(CHUNK, dtype=np.int32)
    fx = np.empty(CHUNK, dtype=np.float32)
    fy = np.empty(CHUNK, dtype=np.float32)
    a = np.empty(6 * CHUNK, dtype=np.float32)
    b = np.empty(6 * CHUNK, dtype=np.float32)
    scratch = np.empty((3, CHUNK), dtype=np.float32)
    u = (np.arange(values.shape[1]) - centre_x) / scale
    for r in range(values.shape[0]):
        v = (top + r - centre_y) / scale
        row_polynomial(cx, degree, v, row_x)
        row_polynomial(cy, degree, v, row_y)
        for first in range(0, values.shape[1], CHUNK):
            count = min(CHUNK, values.shape[1] - first)
            along_row(row_x, degree, u[first : first + count], x)
            along_row(row_y, degree, u[first : first + count], y)
            for p in range(count):
                below = np.floor(x[p])
                ix[p] = np.int32(below) - first_column
                fx[p] = np.float32(x[p] - below)
                below = np.floor(y[p])
                iy[p] = np.int32(below) - first_row
                fy[p] = np.float32(y[p] - below)
            fill_weights(fx, count, polynomials, a)
            fill_weights(fy, count, polynomials, b)
            start = 0
            while start < count:
                stop = start + 1
                # A run: one row of the frame, its pixels one after the other.
                while (
                    stop < count
                    and iy[stop] == iy[start]
                    and ix[stop] == ix[start] + (stop - start)
                ):
                    stop += 1
                sample_between(
                    image,
                    variance,
                    mask,
                    iy[start],
                    ix[start],
                    raw_ny - first_row,
                    raw_nx - first_column,
                    -first_row,
                    -first_column,
                    start,
                    stop,
                    a,
                    b,
                    scratch,
                    values[r, first : first + count],
                    variances[r, first : first + count],
                )
                start = stop


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
    gain = np.float32(factor)
    row = np.empty(degree + 1)
    level = np.empty(values.shape[1])
    u = (np.arange(values.shape[1]) - centre_x) / scale
    for r in range(values.shape[0]):
        row_polynomial(sky, degree, (first_row + r - centre_y) / scale, row)
        along_row(row, degree, u, level)
        line, spread = values[r], variances[r]
        for c in range(values.shape[1]):
            line[c] = gain * line[c] - np.float32(level[c])
            spread[c] *= square


def warm_up() -> None:
    """Compile the kernels of this module."""
    from platelib.transforms import identity

    image = np.ones((16, 20), dtype=np.float32)
    transform = identity(image.shape)
    mask = np.zeros(image.shape, dtype=np.uint8)
    values, variances = resample(image, image, mask, 0, image.shape, transform, (0, 16), 20)
    normalise(values, variances, 1.0, np.zeros(3), transform, 0)
