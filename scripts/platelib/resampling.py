"""Resampling of a calibrated sub onto the grid, in one pass, with its variance.

The kernel is that of :mod:`platelib.lanczos`. Its negative lobes ring beside anything sharper than
the optics can draw; the result is therefore limited to what the surrounding pixels allow, in the
manner of the quasi-monotone schemes of Bermejo & Staniforth (1992, Mon. Weather Rev. 120, 2622):
from below by the lowest of the 4 x 4 pixels around, from above by the highest plus half their range
- the summit of a star may lie between pixels - and both widened by the noise.
"""

import numpy as np

from platelib.calibration import BAD
from platelib.kernels import kernel
from platelib.lanczos import (
    CHUNK,
    POLYNOMIALS,
    ROOM,
    fill_weights,
    gather,
    lanczos,
    limits,
    sum_of_squares,
    sum_of_taps,
)
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
    out: tuple[np.ndarray, np.ndarray] | None = None,
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
    out : tuple of numpy.ndarray, optional
        Where the result goes, both ``(rows[1] - rows[0], nx)`` float32.

    Returns
    -------
    values, variances : numpy.ndarray
        ``(rows[1] - rows[0], nx)`` float32; NaN outside the frame and where one of the four
        nearest pixels is bad. Near its edge the outermost pixels count as repeated. Variances are
        ``sum w^2 v``: neighbouring pixels of the result are correlated, see
        :func:`correlation_factor`.
    """
    if out is None:
        shape = (rows[1] - rows[0], nx)
        out = (np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32))
    values, variances = out
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
    image, variance, mask, first_row, first_column, raw_ny, raw_nx, cx, cy, degree, centre_x,
    centre_y, scale, top, polynomials, values, variances,
):  # fmt: skip
    nx = values.shape[1]
    rows = np.empty((2, degree + 1))
    u = (np.arange(nx) - centre_x) / scale
    x = np.empty(CHUNK)
    y = np.empty(CHUNK)
    pixel = np.empty((2, CHUNK), dtype=np.int32)
    fraction = np.empty((2, CHUNK), dtype=np.float32)
    work = (  # runs, fractions, pixels, variances, weights, sums, marks
        np.empty((ROOM // 6 + 1, 3), dtype=np.int32),
        np.zeros((2, ROOM), dtype=np.float32),
        np.zeros(6 * ROOM + 8, dtype=np.float32),
        np.zeros(6 * ROOM + 8, dtype=np.float32),
        np.empty((2, 6 * ROOM), dtype=np.float32),
        np.empty((4, ROOM), dtype=np.float32),
        np.zeros(ROOM, dtype=np.uint8),
    )
    for r in range(values.shape[0]):
        v = (top + r - centre_y) / scale
        row_polynomial(cx, degree, v, rows[0])
        row_polynomial(cy, degree, v, rows[1])
        for first in range(0, nx, CHUNK):
            count = min(CHUNK, nx - first)
            along_row(rows[0], degree, u[first : first + count], x)
            along_row(rows[1], degree, u[first : first + count], y)
            _split(x, count, first_column, raw_nx, pixel[0], fraction[0])
            _split(y, count, first_row, raw_ny, pixel[1], fraction[1])
            target = values[r, first : first + count]
            spread = variances[r, first : first + count]
            start = 0
            while start < count:
                start = _sample_some(
                    image, variance, mask, pixel, fraction, start, count, polynomials, work,
                    target, spread,
                )  # fmt: skip
            _blank_outside(x, raw_nx - 1.0, target, spread)
            _blank_outside(y, raw_ny - 1.0, target, spread)


@kernel
def _split(place, count, first, size, pixel, fraction):
    """Whole pixel, counted from ``first``, and fraction of each place; far ones are held near."""
    for p in range(count):
        near = min(max(place[p], -8.0), size + 8.0)
        below = np.floor(near)
        pixel[p] = np.int32(below) - np.int32(first)
        fraction[p] = np.float32(near - below)


@kernel
def _blank_outside(place, last, values, variances):
    """Set samples that lie outside the frame to NaN."""
    lowest = place[0]
    highest = place[0]
    for p in range(values.size):
        lowest = min(lowest, place[p])
        highest = max(highest, place[p])
    if lowest >= 0.0 and highest <= last:
        return
    for p in range(values.size):
        if not 0.0 <= place[p] <= last:
            values[p] = np.nan
            variances[p] = np.nan


@kernel
def _sample_some(
    image, variance, mask, pixel, fraction, start, count, polynomials, work, values, variances
):
    """Sample from ``start`` as far as there is room for the runs; return where it ended."""
    runs, fractions, pixels, noises, weights, sums, bad = work
    ix, iy = pixel[0], pixel[1]
    last_row, last_column = image.shape[0] - 1, image.shape[1] - 1
    p = start
    filled = 0
    found = 0
    while p < count and filled + 6 <= ROOM:
        # A run: one row of the frame, its pixels one after the other.
        most = min(count - p, ROOM - 5 - filled)
        column, row = ix[p], iy[p]
        n = 1
        while n < most and ix[p + n] == column + n and iy[p + n] == row:
            n += 1
        _copy(fraction[0, p : p + n], fractions[0, filled : filled + n])
        _copy(fraction[1, p : p + n], fractions[1, filled : filled + n])
        gather(image, row, column, n, 0, 6, last_row, last_column, filled, pixels)
        gather(variance, row, column, n, 1, 4, last_row, last_column, filled, noises)
        _mark_bad(mask, row, column, n, last_row, last_column, filled, bad)
        runs[found, 0], runs[found, 1], runs[found, 2] = p, filled, n
        found += 1
        p += n
        filled += n + 5
    filled = min(filled, ROOM)
    fill_weights(fractions[0], filled, polynomials, weights[0])
    fill_weights(fractions[1], filled, polynomials, weights[1])
    total, spread, low, high = sums[0], sums[1], sums[2], sums[3]
    sum_of_taps(pixels, weights[0], weights[1], filled, total)
    sum_of_squares(noises, weights[0], weights[1], filled, spread)
    limits(pixels, noises, filled, low, high)
    nothing = np.float32(np.nan)
    for q in range(filled):
        total[q] = min(max(total[q], low[q]), high[q]) if bad[q] == 0 else nothing
    for q in range(filled):
        spread[q] = spread[q] if bad[q] == 0 else nothing
    for k in range(found):
        first, place, n = runs[k, 0], runs[k, 1], runs[k, 2]
        _copy(total[place : place + n], values[first : first + n])
        _copy(spread[place : place + n], variances[first : first + n])
    return p


@kernel
def _copy(source, target):
    for p in range(target.size):
        target[p] = source[p]


@kernel
def _mark_bad(mask, row, column, n, last_row, last_column, place, bad):
    """Mark samples of a run that have a bad pixel among the four nearest."""
    upper = mask[min(max(row, 0), last_row)]
    lower = mask[min(max(row + 1, 0), last_row)]
    if column >= 0 and column + n <= last_column:
        u0, u1 = upper[column : column + n], upper[column + 1 : column + 1 + n]
        l0, l1 = lower[column : column + n], lower[column + 1 : column + 1 + n]
        marks = bad[place : place + n]
        for p in range(n):
            marks[p] = (u0[p] | u1[p] | l0[p] | l1[p]) & BAD
    else:
        for p in range(n):
            left = min(max(column + p, 0), last_column)
            right = min(max(column + p + 1, 0), last_column)
            seen = upper[left] | upper[right] | lower[left] | lower[right]
            bad[place + p] = seen & BAD


def normalise(
    values: np.ndarray,
    variances: np.ndarray,
    factor: float,
    sky: np.ndarray,
    transform: Transform,
    first_row: int,
    excess: float = 1.0,
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
    excess : float
        Multiplies the variances besides.
    """
    degree = {1: 0, 3: 1, 6: 2}[len(sky)]
    _normalise(
        values,
        variances,
        float(factor),
        float(excess),
        np.asarray(sky, dtype=np.float64),
        degree,
        transform.centre_x,
        transform.centre_y,
        transform.scale,
        first_row,
    )


@kernel
def _normalise(
    values, variances, factor, excess, sky, degree, centre_x, centre_y, scale, first_row
):
    square = np.float32(factor * factor * excess)
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
