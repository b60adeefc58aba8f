"""Resampling of a calibrated sub onto the grid, in one pass, with its variance.

The kernel is that of :mod:`platelib.lanczos`. Its negative lobes ring beside anything sharper than
the optics can draw; the result is therefore limited to what the surrounding pixels allow, in the
manner of the quasi-monotone schemes of Bermejo & Staniforth (1992, Mon. Weather Rev. 120, 2622):
from below by the lowest of the 4 x 4 pixels around, from above by the highest plus half their range
- the summit of a star may lie between pixels - and both widened by the noise.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platelib import aligned
from platelib.calibration import BAD
from platelib.kernels import allocating_kernel, kernel
from platelib.lanczos import (
    CHUNK,
    POLYNOMIALS,
    ROOM,
    STRIP,
    VECTOR,
    gather,
    lanczos,
    sample,
)
from platelib.polynomials import around, row_polynomial
from platelib.transforms import Transform

REACH = 3
"""Pixels on either side that a sample needs."""

SPANS = (512, 4096)
"""Samples whose places are counted from the same pixel, the one in their middle: where the camera
was turned, and where rows of the grid lie along rows of the frame. Each beginning costs as much as
a hundred samples, and single precision must hold the places to 1e-5 pixels."""

_LONG_RUN = 48
"""Samples from which a run, on average, is long enough to be sampled by itself."""

_STEPS = [
    np.stack([np.arange(span), np.arange(span)[::-1]]).astype(np.float32) - span // 2
    for span in SPANS
]
"""Distances of samples from that pixel, to the right and backward."""
_NOT_ASKED = np.zeros((0, 0), dtype=np.uint8)


@dataclass(frozen=True)
class Cutout:
    """Calibrated pixels of a part of a raw frame, bad ones mended.

    Attributes
    ----------
    values, variance : numpy.ndarray
        ``(m, n)`` float32.
    mask : numpy.ndarray
        ``(m, n)`` uint8; pixels with bit 1 are not used.
    first_row, first_column : int
        Where in the raw frame ``values[0, 0]`` lies.
    frame_shape : tuple of int
        ``(ny, nx)`` of the raw frame.
    """

    values: np.ndarray
    variance: np.ndarray
    mask: np.ndarray
    first_row: int
    first_column: int
    frame_shape: tuple[int, int]

    def turned(self) -> "Cutout":
        """Return the cutout with rows and columns exchanged."""
        v, n, m = (np.ascontiguousarray(p.T) for p in (self.values, self.variance, self.mask))
        return Cutout(v, n, m, self.first_column, self.first_row, self.frame_shape[::-1])


@dataclass(frozen=True)
class Levels:
    """How a sub is brought to the level of the others.

    Attributes
    ----------
    factor : float
        From calibrated units to those of the channel: flux scale over exposure.
    sky : numpy.ndarray
        Coefficients of the polynomial in grid coordinates that is taken off after scaling, of
        degree 0, 1 or 2, in the normalisation of the transform.
    excess : float
        Factor of the variance: what the sky shows over what the detector model expects.
    """

    factor: float = 1.0
    sky: Sequence[float] | np.ndarray = (0.0,)
    excess: float = 1.0


AS_IT_IS = Levels()
"""Levels that change nothing."""


def source_window(
    transform: Transform, rows: tuple[int, int], columns: tuple[int, int]
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Part of the raw frame that a tile of the grid may touch, kernel included.

    Parameters
    ----------
    transform : Transform
    rows, columns : tuple of int
        First row of the tile on the grid and the one after its last; the same for columns.

    Returns
    -------
    rows, columns : tuple of int
        First of the raw frame and the one after the last; they may lie outside the frame.
    """
    place = (transform.degree, transform.centre_x, transform.centre_y, transform.scale)
    left, right = _range(transform.x, *place, *rows, *columns)
    top, bottom = _range(transform.y, *place, *rows, *columns)
    return (
        (int(np.floor(top)) - REACH - 1, int(np.ceil(bottom)) + REACH + 2),
        (int(np.floor(left)) - REACH - 1, int(np.ceil(right)) + REACH + 2),
    )


@allocating_kernel
def _range(coefficients, degree, centre_x, centre_y, scale, top, bottom, left, right):
    """Lowest and highest value of a polynomial over some places of a tile."""
    row = np.empty(degree + 1)
    low, high = np.inf, -np.inf
    for j in range(5):
        y = top + 0.25 * j * (bottom - 1 - top)
        row_polynomial(coefficients, degree, (y - centre_y) / scale, row)
        for i in range(9):
            u = (left + 0.125 * i * (right - 1 - left) - centre_x) / scale
            value = row[degree]
            for k in range(degree - 1, -1, -1):
                value = value * u + row[k]
            low, high = min(low, value), max(high, value)
    return low, high


def resample(
    source: Cutout,
    transform: Transform,
    rows: tuple[int, int],
    columns: tuple[int, int],
    levels: Levels = AS_IT_IS,
    out: tuple[np.ndarray, np.ndarray] | None = None,
    missing: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Sample a tile of the grid from a part of a raw frame, and level it.

    Parameters
    ----------
    source : Cutout
        At least what :func:`source_window` says, as far as the frame has it.
    transform : Transform
        Grid to raw pixels.
    rows, columns : tuple of int
        First row of the tile on the grid and the one after its last; the same for columns.
    levels : Levels, optional
        Scale and sky.
    out : tuple of numpy.ndarray, optional
        Where the result goes, both of the shape of the tile and float32.
    missing : numpy.ndarray, optional
        Uint8 of the shape of the tile, to be set to 1 where the result is NaN and to 0 elsewhere.

    Returns
    -------
    values, variances : numpy.ndarray
        ``(rows[1] - rows[0], columns[1] - columns[0])`` float32; NaN outside the frame and where
        one of the four nearest pixels is bad. Near its edge the outermost pixels count as repeated.
        Variances are ``sum w^2 v``: neighbouring pixels of the result are correlated, see
        :func:`correlation_factor`.
    """
    if out is None:
        shape = (rows[1] - rows[0], columns[1] - columns[0])
        out = (np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32))
    values, variances = out
    x, y = transform.x, transform.y
    if transform.exchanges_axes:
        source = source.turned()
        x, y = y, x
    turned = max(abs(y[1]), abs(abs(x[1]) - transform.scale)) * _LONG_RUN > transform.scale
    _resample(
        source.values,
        source.variance,
        source.mask,
        source.first_row,
        source.first_column,
        source.frame_shape[0],
        source.frame_shape[1],
        x,
        y,
        transform.degree,
        transform.centre_x,
        transform.centre_y,
        transform.scale,
        rows[0],
        columns[0],
        POLYNOMIALS,
        _STEPS[0 if turned else 1],
        np.float32(levels.factor),
        np.float32(levels.factor**2 * levels.excess),
        np.asarray(levels.sky, dtype=np.float64),
        {1: 0, 3: 1, 6: 2}[len(levels.sky)],
        values,
        variances,
        _NOT_ASKED if missing is None else missing,
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


@allocating_kernel
def _resample(
    image, variance, mask, first_row, first_column, raw_ny, raw_nx, cx, cy, degree, centre_x,
    centre_y, scale, top, left, polynomials, steps, gain, square, sky, sky_degree, values,
    variances, missing,
):  # fmt: skip
    """Make room for `_resample_rows`, and do it."""
    polynomial = (
        np.empty((2, degree + 1)),
        np.empty(sky_degree + 1),
        np.empty(max(degree, sky_degree) + 1),
    )
    chunk = (  # pixels, fractions, levels, outside, breaks, marks, backward lines
        aligned.zeros(2, CHUNK).view(np.int32),
        aligned.zeros(2, CHUNK + VECTOR),
        aligned.zeros(1, CHUNK)[0],
        np.empty(CHUNK, dtype=np.uint8),
        np.zeros(CHUNK // 8, dtype=np.uint64),
        np.empty(CHUNK, dtype=np.uint8),
        aligned.zeros(2, CHUNK),
    )
    work = (  # runs, fractions, pixels, variances, weights, sums, extremes, marks
        np.empty((CHUNK, 3), dtype=np.int32),
        aligned.zeros(2, ROOM),
        aligned.zeros(6, ROOM),
        aligned.zeros(4, ROOM),
        aligned.zeros(2, 6 * STRIP),
        aligned.zeros(2, ROOM),
        aligned.zeros(2, STRIP + VECTOR),
        np.zeros(ROOM, dtype=np.uint8),
    )
    _resample_rows(
        image, variance, mask, first_row, first_column, raw_ny, raw_nx, cx, cy, degree, centre_x,
        centre_y, scale, top, left, polynomials, steps, gain, square, sky, sky_degree, values,
        variances, missing, polynomial, chunk, work,
    )  # fmt: skip


@kernel
def _resample_rows(
    image, variance, mask, first_row, first_column, raw_ny, raw_nx, cx, cy, degree, centre_x,
    centre_y, scale, top, left, polynomials, steps, gain, square, sky, sky_degree, values,
    variances, missing, polynomial, chunk, work,
):  # fmt: skip
    ny, nx = values.shape
    rows, sky_row, local = polynomial
    pixel, fraction, level, outside, words, spare, line = chunk
    breaks = words.view(np.uint8)
    # A kernel moves to the right along a row of the frame. Where the grid runs to the left there,
    # its samples are taken backward, and turned over in the end.
    backward = cx[1] < 0
    for r in range(ny):
        v = (top + r - centre_y) / scale
        row_polynomial(cx, degree, v, rows[0])
        row_polynomial(cy, degree, v, rows[1])
        row_polynomial(sky, sky_degree, v, sky_row)
        for begin in range(left, left + nx, CHUNK):
            count = min(CHUNK, left + nx - begin)
            place = (begin, count, backward, steps, centre_x, scale)
            _fill_levels(sky_row, sky_degree, place, local, level)
            here = slice(begin - left, begin - left + count)
            target = line[0, :count] if backward else values[r, here]
            spread = line[1, :count] if backward else variances[r, here]
            marks = missing[r, here] if missing.size and not backward else spare[:count]
            outside[:count] = 0
            first, last = 0, count
            runs = 0
            if degree == 1:
                runs = _follow_lines(
                    rows, place, first_column, first_row, image.shape, local, fraction, work[0]
                )
            if runs == 0:
                _locate_all(
                    rows, degree, place, raw_nx, first_column, raw_ny, first_row, local, pixel,
                    fraction, outside,
                )  # fmt: skip
                _find_breaks(pixel[0, :count], pixel[1, :count], breaks)
                first, last = _inside(pixel, breaks, count, image.shape)
                runs = _find_runs(pixel, breaks, words, first, last, work[0])
                if runs * _LONG_RUN > last - first or not _are_inside(
                    work[0][:runs], last, image.shape
                ):
                    first = last = count
            if last > first:
                _sample_long_runs(
                    image, variance, mask, fraction, outside, first, last, runs, polynomials, work,
                    gain, square, level, target, spread, marks,
                )  # fmt: skip
            for start, stop in ((0, first), (last, count)):
                while start < stop:
                    start = _sample_short_runs(
                        image, variance, mask, pixel, fraction, breaks, words, outside, start,
                        stop, polynomials, work, gain, square, level, target, spread, marks,
                    )  # fmt: skip
            if backward:
                _turn_over(target, values[r, here])
                _turn_over(spread, variances[r, here])
                if missing.size:
                    _turn_over(marks, missing[r, here])


@kernel
def _turn_over(line, out):
    # An index with a sign might count from the end, and would be looked at one by one.
    last = np.uint64(line.size - 1)
    for p in range(out.size):
        out[p] = line[last - np.uint64(p)]


@kernel
def _part(place, done):
    """Say where the next samples of a chunk end, are counted from, and begin among the steps."""
    begin, count, backward, steps, centre_x, scale = place
    span = steps.shape[1]
    column = begin + count - 1 - done if backward else begin + done
    from_origin = column % span
    origin = column - from_origin + span // 2
    first = span - 1 - from_origin if backward else from_origin
    end = min(done + span - first, count)
    return end, (origin - centre_x) / scale, first


@kernel
def _fill_levels(sky_row, sky_degree, place, local, level):
    steps = place[3][int(place[2])]
    done = 0
    while done < place[1]:
        end, u, start = _part(place, done)
        offset = steps[start : start + end - done]
        around(sky_row, sky_degree, u, place[5], local)
        _values_of(local, sky_degree, offset, level[done:end])
        done = end


@kernel
def _locate_all(
    rows, degree, place, raw_nx, first_column, raw_ny, first_row, local, pixel, fraction, outside
):
    step = np.float32(-1.0 if place[2] else 1.0)
    steps = place[3][int(place[2])]
    done = 0
    while done < place[1]:
        end, u, start = _part(place, done)
        offset = steps[start : start + end - done]
        here = slice(done, end)
        around(rows[0], degree, u, place[5], local)
        local[1] -= step
        _locate(
            local, degree, offset, step, raw_nx, first_column, pixel[0, here], fraction[0, here],
            outside[here],
        )  # fmt: skip
        around(rows[1], degree, u, place[5], local)
        _locate(
            local, degree, offset, np.float32(0.0), raw_ny, first_row, pixel[1, here],
            fraction[1, here], outside[here],
        )  # fmt: skip
        done = end


@kernel
def _follow_lines(rows, place, first_column, first_row, shape, local, fraction, runs):
    """Find the runs and fractions of a chunk of a linear mapping without looking at each sample.

    Returns
    -------
    int
        How many runs there are; 0 if they are short or want pixels beyond the image.
    """
    count = place[1]
    step = np.float32(-1.0 if place[2] else 1.0)
    steps = place[3][int(place[2])]
    found = done = 0
    while done < count:
        end, u, start = _part(place, done)
        offset = steps[start : start + end - done]
        around(rows[0], 1, u, place[5], local)
        start_x = np.floor(local[0])
        x, slope_x = np.float32(local[0] - start_x), np.float32(local[1] - step)
        around(rows[1], 1, u, place[5], local)
        start_y = np.floor(local[0])
        y, slope_y = np.float32(local[0] - start_y), np.float32(local[1])
        column, row = np.float32(start_x - first_column), np.int32(start_y - first_row)
        p = 0
        while p < offset.size:
            if (found + 1) * _LONG_RUN > count:
                return 0
            below = np.floor(slope_x * offset[p] + x) + (column + step * offset[p])
            runs[found, 0], runs[found, 2] = done + p, np.int32(below)
            runs[found, 1] = np.int32(np.floor(slope_y * offset[p] + y)) + row
            found += 1
            p = min(_end_of_pixel(slope_x, x, offset, p), _end_of_pixel(slope_y, y, offset, p))
        _fractions_of_line(slope_x, x, offset, fraction[0, done:end])
        _fractions_of_line(slope_y, y, offset, fraction[1, done:end])
        done = end
    return found if _are_inside(runs[:found], count, shape) else 0


@kernel
def _end_of_pixel(slope, start, offset, p):
    """First sample after ``p`` with another whole part; they only rise, or only fall."""
    below = np.floor(slope * offset[p] + start)
    same, other = p, offset.size
    if np.floor(slope * offset[other - 1] + start) == below:
        return other
    while other - same > 1:
        middle = (same + other) // 2
        if np.floor(slope * offset[middle] + start) == below:
            same = middle
        else:
            other = middle
    return other


@kernel
def _fractions_of_line(slope, start, offset, fraction):
    for p in range(offset.size):
        place = slope * offset[p] + start
        fraction[p] = place - np.floor(place)


@kernel
def _values_of(local, degree, offset, out):
    """Polynomial of degree 0 to 2, in single precision."""
    a = np.float32(local[0])
    b = np.float32(local[1] if degree > 0 else 0.0)
    c = np.float32(local[2] if degree > 1 else 0.0)
    for p in range(offset.size):
        out[p] = (c * offset[p] + b) * offset[p] + a


@kernel
def _locate(local, degree, offset, step, size, first, pixel, fraction, outside):
    """Find whole pixel and fraction of each place of a polynomial; mark those outside the frame.

    Places are counted, in single precision, from where moving by ``step`` a sample would lead: they
    are small numbers then. Pixels are counted from ``first``.
    """
    start = np.floor(local[0])
    a, b = np.float32(local[0] - start), np.float32(local[1])
    c = np.float32(local[2] if degree > 1 else 0.0)
    d = np.float32(local[3] if degree > 2 else 0.0)
    base = np.float32(start - first)
    for p in range(offset.size):
        t = offset[p]
        place = ((d * t + c) * t + b) * t + a
        below = np.floor(place)
        fraction[p] = place - below
        pixel[p] = np.int32(below + (base + step * t))
    lowest, highest = np.float32(-start), np.float32(size - 1 - start)
    # No place is further than this from the first: mostly all lie inside.
    one, other = offset[0], offset[offset.size - 1]
    far = max(abs(one), abs(other))
    swing = ((abs(d) * far + abs(c)) * far + abs(b)) * far + np.float32(1.0)
    one, other = step * one, step * other
    if a - swing + min(one, other) > lowest and a + swing + max(one, other) < highest:
        return
    good, bad = np.uint8(0), np.uint8(BAD)
    for p in range(offset.size):
        t = offset[p]
        place = ((d * t + c) * t + b) * t + a
        moved = step * t
        beside = (place < lowest - moved) | (place > highest - moved)
        outside[p] |= bad if beside else good


@kernel
def _find_breaks(x, y, breaks):
    """Mark samples after which the kernel does not move on by one pixel in the same row."""
    for p in range(x.size - 1):
        breaks[p] = (x[p + 1] - x[p] != 1) | (y[p + 1] != y[p])
    breaks[x.size - 1] = 1


@kernel
def _end_of_run(breaks, words, p):
    """First sample after ``p`` that belongs to another run."""
    while breaks[p] == 0:
        p += 1
        while p % 8 == 0 and words[p // 8] == 0:
            p += 8
    return p + 1


@kernel
def _inside(pixel, breaks, count, shape):
    """Leave away, at both ends, samples that want pixels beyond the image; end runs there."""
    first, last = 0, count
    while first < last and not _has_all(pixel[1, first], pixel[0, first], 1, shape):
        first += 1
    while last > first and not _has_all(pixel[1, last - 1], pixel[0, last - 1], 1, shape):
        last -= 1
    for end in (first, last):
        if end > 0:
            breaks[end - 1] = 1
    return first, last


@kernel
def _has_all(row, column, n, shape):
    """Say whether a run finds its pixels in the image."""
    return row >= 2 and row + 3 < shape[0] and column >= 2 and column + n + 3 <= shape[1]


@kernel
def _find_runs(pixel, breaks, words, first, last, runs):
    """List the runs: first sample, row and column of its pixel; return how many there are."""
    found = 0
    p = first
    while p < last:
        runs[found, 0], runs[found, 1], runs[found, 2] = p, pixel[1, p], pixel[0, p]
        found += 1
        p = _end_of_run(breaks, words, p)
    return found


@kernel
def _are_inside(runs, last, shape):
    """Say whether all runs find their pixels in the image."""
    for k in range(len(runs)):
        n = (runs[k + 1, 0] if k + 1 < len(runs) else last) - runs[k, 0]
        if not _has_all(runs[k, 1], runs[k, 2], n, shape):
            return False
    return True


@kernel
def _sample_long_runs(
    image, variance, mask, fraction, outside, first, last, found, polynomials, work, gain, square,
    level, values, variances, marks,
):  # fmt: skip
    """Sample straight from the image, run by run."""
    runs, _, _, _, weights, sums, extreme, _ = work
    for k in range(found):
        p, row, column = runs[k, 0], runs[k, 1], runs[k, 2]
        n = (runs[k + 1, 0] if k + 1 < found else last) - p
        # Full vectors: the next run overwrites what they do too much.
        full = (n + VECTOR - 1) // VECTOR * VECTOR
        full = full if column + full + 3 <= image.shape[1] else n
        sample(
            image, row - 2, column - 2, variance, row - 1, column - 1, fraction[0, p:],
            fraction[1, p:], full, polynomials, weights, extreme, sums[0, p:], sums[1, p:],
        )  # fmt: skip
        _mark_bad(mask, row, column, n, len(mask) - 1, mask.shape[1] - 1, outside[p:], marks[p:])
    here = slice(first, last)
    _level(sums[0, here], marks[here], gain, level[here], values[here])
    _scale(sums[1, here], marks[here], square, variances[here])


@kernel
def _level(sampled, marks, gain, sky, target):
    nothing = np.float32(np.nan)
    for q in range(target.size):
        target[q] = gain * sampled[q] - sky[q] if marks[q] == 0 else nothing


@kernel
def _scale(sampled, marks, square, target):
    nothing = np.float32(np.nan)
    for q in range(target.size):
        target[q] = square * sampled[q] if marks[q] == 0 else nothing


@kernel
def _sample_short_runs(
    image, variance, mask, pixel, fraction, breaks, words, outside, start, count, polynomials, work,
    gain, square, level, values, variances, marks,
):  # fmt: skip
    """Sample from ``start`` as far as there is room for the runs; return where it ended."""
    runs, fractions, pixels, noises, weights, sums, extreme, bad = work
    last_row, last_column = image.shape[0] - 1, image.shape[1] - 1
    p = start
    filled = 0
    found = 0
    while p < count and filled + 6 <= ROOM:
        column, row = pixel[0, p], pixel[1, p]
        n = min(_end_of_run(breaks, words, p) - p, ROOM - 5 - filled)
        _copy(fraction[0, p : p + n], fractions[0, filled : filled + n])
        _copy(fraction[1, p : p + n], fractions[1, filled : filled + n])
        gather(image, row - 2, column - 2, n, last_row, last_column, filled, pixels)
        gather(variance, row - 1, column - 2, n, last_row, last_column, filled, noises)
        _mark_bad(mask, row, column, n, last_row, last_column, outside[p:], bad[filled:])
        runs[found, 0], runs[found, 1], runs[found, 2] = p, filled, n
        found += 1
        p += n
        filled += n + 5
    # Full vectors: what they do too much is never looked at.
    filled = min((filled - 5 + VECTOR - 1) // VECTOR * VECTOR, ROOM - 5)
    total, spread = sums[0], sums[1]
    sample(
        pixels, 0, 0, noises, 0, 1, fractions[0], fractions[1], filled, polynomials, weights,
        extreme, total, spread,
    )  # fmt: skip
    for k in range(found):
        first, place, n = runs[k, 0], runs[k, 1], runs[k, 2]
        known, sky = bad[place : place + n], level[first : first + n]
        _level(total[place : place + n], known, gain, sky, values[first : first + n])
        _scale(spread[place : place + n], known, square, variances[first : first + n])
        _copy(known, marks[first : first + n])
    return p


@kernel
def _copy(source, target):
    for p in range(target.size):
        target[p] = source[p]


@kernel
def _mark_bad(mask, row, column, n, last_row, last_column, outside, bad):
    """Mark samples of a run that lie outside or have a bad pixel among the four nearest."""
    upper = mask[min(max(row, 0), last_row)]
    lower = mask[min(max(row + 1, 0), last_row)]
    marks = bad[:n]
    if column >= 0 and column + n <= last_column:
        u0, u1 = upper[column : column + n], upper[column + 1 : column + 1 + n]
        l0, l1 = lower[column : column + n], lower[column + 1 : column + 1 + n]
        for p in range(n):
            marks[p] = (u0[p] | u1[p] | l0[p] | l1[p]) & BAD | outside[p]
    else:
        for p in range(n):
            left = min(max(column + p, 0), last_column)
            right = min(max(column + p + 1, 0), last_column)
            seen = upper[left] | upper[right] | lower[left] | lower[right]
            marks[p] = seen & BAD | outside[p]


def warm_up() -> None:
    """Compile the kernels of this module."""
    from platelib.transforms import identity

    image = np.ones((16, 20), dtype=np.float32)
    mask = np.zeros(image.shape, dtype=np.uint8)
    source = Cutout(image, image, mask, 0, 0, image.shape)
    transform = identity(image.shape)
    source_window(transform, (0, 16), (0, 20))
    resample(source, transform, (0, 16), (0, 20))
