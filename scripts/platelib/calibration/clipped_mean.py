"""Mean of the samples near the median, pixel by pixel, of frames of the same scene.

A sample is rejected if it is further from the median than ``sigma`` times the spread, which is
1.4826 times the median absolute deviation of the pixel's samples, but at least a floor; the rest is
judged again, three times at most. That is done in three steps of rising cost:

1. One pass over all samples, in vector instructions, takes their sum, sum of squares and extremes.
   The median is at most one standard deviation from the mean (Hotelling and Solomons 1932, *The
   limits of a measure of skewness*, Ann. Math. Statist. 3, 141), so that extremes that lie within
   the floor's limits even so prove that nothing is rejected.
2. The samples of the other pixels are sorted by a network, some hundred pixels at a time.
3. Where the extremes lie outside of the floor's limits about the true median, the rule decides.

The result is that of the rule for each pixel by itself.
"""

from typing import NamedTuple

import numpy as np

from platelib.calibration.sorted_rejection import strike, within
from platelib.calibration.stack_sums import APART, CELL, Stack, buffers, load, sum_samples
from platelib.numerics import aligned
from platelib.numerics.kernels import kernel
from platelib.numerics.order_statistics import sorting_network, work_network

_PLACES = CELL
"""Pixels sorted at a time."""
_ROUNDING, _ROUNDING_EACH = 1e-3, 1e-6
"""Room for the rounding of single precision sums, and more of it for each frame."""
_TINY = 1e-12
"""Squares of what is smaller lose their digits."""


class _Planes(NamedTuple):
    mean: np.ndarray
    variance: np.ndarray
    kept: np.ndarray


class _Limits(NamedTuple):
    sigma: float
    floors: np.ndarray
    network: np.ndarray


class _Waiting(NamedTuple):
    """Pixels that the rule is to decide on: their samples, their numbers, and room for one."""

    ordered: np.ndarray
    places: np.ndarray
    samples: np.ndarray


def clipped_mean(
    stack: Stack,
    sigma: float,
    floors: np.ndarray,
    mean: np.ndarray,
    variance: np.ndarray,
    count: np.ndarray,
) -> None:
    """Average the samples of each pixel that lie within limits about their median.

    Parameters
    ----------
    stack : Stack
        Part ``(ny, nx)`` of ``n`` frames.
    sigma : float
        Limit in units of the spread; infinity strikes nothing. Of fewer than three samples none is
        rejected.
    floors : numpy.ndarray
        ``(max(1, nx // CELL),)`` float64, the least spread in each ``CELL`` columns, the last one's
        reaching to the end; in the unit of the scaled samples.
    mean, variance : numpy.ndarray
        ``(ny, nx)`` float32 to fill: mean of the kept samples, NaN where there are none; variance
        of this mean from their scatter, 0 where one is kept, NaN where none is.
    count : numpy.ndarray
        ``(ny, nx)`` int16 to fill: samples kept.
    """
    n = len(stack.samples)
    limits = _Limits(float(sigma), floors, sorting_network(n))
    ordered = aligned.empty((n, _PLACES + APART), np.float32)
    waiting = _Waiting(ordered, np.empty(_PLACES, dtype=np.int64), np.empty(n))
    listed = np.empty(CELL, dtype=np.bool_), np.empty(CELL, dtype=np.int64)
    _clipped_mean(stack, limits, _Planes(mean, variance, count), *buffers(n), waiting, *listed)


@kernel
def _clipped_mean(stack, limits, out, tile, sums, waiting, clear, columns):
    n, ny, nx = stack.samples.shape
    safe = 1.0 - _ROUNDING - _ROUNDING_EACH * n
    gathered = 0
    for y in range(ny):
        for left in range(0, nx, CELL):
            right = min(left + CELL, nx)
            width = right - left
            load(stack, y, left, right, tile)
            sum_samples(tile, width, sums)
            limit = limits.sigma * limits.floors[min(left // CELL, limits.floors.size - 1)] * safe
            _judge(sums, n, width, np.float32(limit if limit > _TINY else 0.0), clear)
            _average(sums, n, stack, out, y, left, width)
            number = _list(clear, width, columns)
            if gathered + number > _PLACES:
                _settle(waiting, gathered, stack, limits, out)
                gathered = 0
            _gather(tile, columns, number, waiting.ordered, gathered)
            for k in range(number):
                waiting.places[gathered + k] = y * nx + left + columns[k]
            gathered += number
    _settle(waiting, gathered, stack, limits, out)


@kernel
def _has_late_offset(stack):
    """Return whether the offset is still to be taken from a mean."""
    return stack.offset.size > 0 and stack.factors.size == 0


@kernel
def _judge(sums, n, width, limit, clear):
    """Return the pixels certain to have no rejected sample, from sums and extremes."""
    _, total, squares, least, most = sums
    number, zero = np.float32(n), np.float32(0.0)
    for p in range(width):
        mean = total[p] / number
        deviation = np.sqrt(max(squares[p] - total[p] * mean, zero) / number)
        # A sum that is NaN fails both.
        clear[p] = (most[p] - mean + deviation <= limit) & (mean - least[p] + deviation <= limit)


@kernel
def _average(sums, n, stack, out, y, left, width):
    """Mean of all samples and its variance."""
    first, total, squares, _, _ = sums
    mean, variance = out.mean[y, left : left + width], out.variance[y, left : left + width]
    kept = out.kept[y, left : left + width]
    if _has_late_offset(stack):
        offset = stack.offset[y, left : left + width]
        for p in range(width):
            mean[p] = (n * float(first[p]) + float(total[p])) / n - float(offset[p])
    else:
        for p in range(width):
            mean[p] = (n * float(first[p]) + float(total[p])) / n
    share = np.float32(1.0 / (n * max(n - 1, 1)))
    for p in range(width):
        square = squares[p] - total[p] * (total[p] / np.float32(n))
        variance[p] = max(square, np.float32(0.0)) * share
        kept[p] = n


@kernel
def _list(clear, width, columns):
    """List the undecided columns; return their number."""
    number = 0
    for p in range(width):
        columns[number] = p
        number += not clear[p]
    return number


@kernel
def _gather(tile, columns, number, ordered, start):
    """Copy the samples of the listed columns side by side; missing ones become infinity."""
    missing = np.float32(np.inf)
    for i in range(len(tile)):
        row, out = tile[i], ordered[i, start:]
        for k in range(number):
            value = row[columns[k]]
            out[k] = value if value == value else missing


@kernel
def _settle(waiting, number, stack, limits, out):
    """Apply the rule to the gathered pixels and write the changed ones."""
    ordered, places, samples = waiting
    n, nx = len(ordered), out.mean.shape[1]
    work_network(ordered, limits.network, number)
    for k in range(number):
        y, x = places[k] // nx, places[k] % nx
        floor = limits.floors[min(x // CELL, limits.floors.size - 1)]
        size = n
        while size and ordered[size - 1, k] == np.inf:
            size -= 1
        if size == n and within(ordered[:, k], limits.sigma * floor):
            continue
        for i in range(size):
            samples[i] = ordered[i, k]
        start, stop = strike(samples, size, limits.sigma, floor)
        offset = stack.offset[y, x] if _has_late_offset(stack) else np.float32(0.0)
        _average_kept(samples[start:stop], offset, out, y, x)


@kernel
def _average_kept(samples, offset, out, y, x):
    total, square, count = 0.0, 0.0, samples.size
    for i in range(count):
        total += samples[i]
    mean = total / count
    for i in range(count):
        square += (samples[i] - mean) ** 2
    out.mean[y, x] = mean - offset
    out.variance[y, x] = square / (max(count - 1, 1) * count)
    out.kept[y, x] = count


def warm_up() -> None:
    """Compile the kernels of this module."""
    none = np.zeros((0, 0), dtype=np.float32), np.zeros(0, dtype=np.float32)
    for dtype in (np.int16, np.float32):
        stack = Stack(np.ones((3, 2, 2), dtype=dtype), np.float32(0.0), *none)
        plane = np.empty((2, 2), dtype=np.float32)
        clipped_mean(stack, 4.0, np.ones(1), plane, plane, np.empty((2, 2), dtype=np.int16))
