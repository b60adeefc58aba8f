"""Weighted mean, along the stack, of the samples that rejection kept."""

from dataclasses import dataclass

import numpy as np

from platelib.integration.local_weights import WeightTable, constant_weights
from platelib.integration.rejection_prefilter import ABOVE, ONE, ZERO, strip_of
from platelib.integration.rejection_rules import HIGH, INVALID, KEPT, LOW
from platelib.numerics import aligned
from platelib.numerics.kernels import kernel

_CHUNK = 128
"""Samples are averaged in runs of less than 256, whose flags a byte counts."""


@dataclass(frozen=True)
class Average:
    """A weighted mean along the stack.

    Attributes
    ----------
    mean, variance : numpy.ndarray
        ``(ny, nx)`` float32; NaN where nothing was kept.
    weight : numpy.ndarray
        ``(ny, nx)`` float32: sum of the weights of the kept samples.
    count, low, high : numpy.ndarray
        ``(ny, nx)`` int16: samples kept, rejected as low, rejected as high.
    tally : numpy.ndarray
        ``(n, 3)`` int64: pixels of each image that have no data, were rejected as low, as high.
    """

    mean: np.ndarray
    variance: np.ndarray
    weight: np.ndarray
    count: np.ndarray
    low: np.ndarray
    high: np.ndarray
    tally: np.ndarray

    @property
    def planes(self) -> tuple[np.ndarray, ...]:
        """Mean, variance, weight, count, low and high."""
        return self.mean, self.variance, self.weight, self.count, self.low, self.high


def average(
    values: np.ndarray,
    variances: np.ndarray,
    weights: np.ndarray | WeightTable,
    flags: np.ndarray,
    part: tuple[slice, slice] = (slice(None), slice(None)),
) -> Average:
    """Weighted mean of the kept samples, with its propagated variance.

    Parameters
    ----------
    values, variances : numpy.ndarray
        ``(n, ny, nx)`` float32.
    weights : numpy.ndarray or WeightTable
        ``(n,)``, positive; or those of each cell of the grid.
    flags : numpy.ndarray
        ``(n, ny, nx)`` uint8; only samples flagged 0 take part.
    part : tuple of slice, optional
        Average only these rows and columns, which costs no copy.

    Returns
    -------
    Average
        ``mean = sum(w x) / sum(w)`` and ``variance = sum(w^2 v) / sum(w)^2``.
    """
    (top, bottom, _), (left, right, _) = (
        axis.indices(size) for axis, size in zip(part, values.shape[1:], strict=True)
    )
    result = blank_average(len(values), (bottom - top, right - left))
    _average(
        np.ascontiguousarray(values),
        np.ascontiguousarray(variances),
        table_of(weights),
        np.ascontiguousarray(flags),
        (top, left),
        result.planes,
        result.tally,
        room_of_strip(strip_of(len(values))),
    )
    return result


def table_of(weights: np.ndarray | WeightTable) -> tuple[np.ndarray, int, int, int]:
    """Return weights in the form for `average_strip`."""
    if not isinstance(weights, WeightTable):
        weights = constant_weights(weights)
    return weights.as_kernels_take_it


def blank_average(n: int, shape: tuple[int, int]) -> Average:
    """Return an unfilled average of ``n`` images and ``(ny, nx)`` pixels."""
    mean, variance, weight = (aligned.empty(shape, np.float32) for _ in range(3))
    count, low, high = (aligned.empty(shape, np.int16) for _ in range(3))
    return Average(mean, variance, weight, count, low, high, np.zeros((n, 3), dtype=np.int64))


def room_of_strip(size: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the working memory of `average_strip`: sums and counts per pixel."""
    return aligned.empty((3, size), np.float64), aligned.empty((2, size), np.int32)


@kernel
def _average(values, variances, weights, flags, corner, planes, tally, work):
    (ny, nx), strip = planes[0].shape, work[0].shape[1]
    for y in range(ny):
        for left in range(0, nx, strip):
            place = (y, left, min(left + strip, nx))
            average_strip(values, variances, weights, flags, corner, place, planes, tally, work)


@kernel
def average_strip(values, variances, weights, flags, corner, place, planes, tally, work):
    """Average a strip of a row; ``place`` is counted in the result, ``corner`` is its origin.

    ``weights`` are from `table_of`.
    """
    n = len(values)
    y, left, right = place
    width = right - left
    mean, variance, weights_kept, count, low, high = planes
    total, spread, weight = work[0][0], work[0][1], work[0][2]
    rejected, missing = work[1][0], work[1][1]
    row, first = corner[0] + y, corner[1] + left
    for p in range(width):
        total[p] = spread[p] = weight[p] = 0.0
        rejected[p] = missing[p] = 0
    table, top, before, cell = weights
    cell_row = (row + top) // cell
    start = 0
    while start < width:
        at = first + start + before
        of_cell = table[cell_row, at // cell]
        here = slice(start, min(start + _CHUNK, width, start + cell - at % cell))
        start = here.stop
        there = (row, first + here.start, here.stop - here.start)
        sums = (total[here], spread[here], weight[here])
        counts = (rejected[here], missing[here])
        for i in range(0, n, 4):
            if i + 4 > n:
                for k in range(i, n):
                    _add_kept(values, variances, flags, k, there, of_cell[k], sums)
                    _count_flags(flags, k, there, counts, tally[k])
            elif _are_kept(flags, i, there):
                _add_four(values, i, there, of_cell, False, sums[0])
                _add_four(variances, i, there, of_cell, True, sums[1])
                _add_weights(of_cell, i, sums[2])
            else:
                _add_four_kept(values, flags, i, there, of_cell, False, sums[0])
                _add_four_kept(variances, flags, i, there, of_cell, True, sums[1])
                _add_weights_kept(flags, i, there, of_cell, sums[2])
                _count_four_flags(flags, i, there, counts, tally)
    for p in range(width):
        x = left + p
        below, above = rejected[p] % ABOVE, rejected[p] // ABOVE
        kept = n - missing[p] - below - above
        mean[y, x] = total[p] / weight[p] if kept else np.nan
        variance[y, x] = spread[p] / (weight[p] * weight[p]) if kept else np.nan
        weights_kept[y, x] = weight[p]
        count[y, x] = kept
        low[y, x] = below
        high[y, x] = above


@kernel
def _are_kept(flags, i, place):
    """Return whether four images have no flag in a run."""
    y, left, size = place
    m0, m1 = flags[i, y, left : left + size], flags[i + 1, y, left : left + size]
    m2, m3 = flags[i + 2, y, left : left + size], flags[i + 3, y, left : left + size]
    found = np.uint8(0)
    for p in range(size):
        found = np.uint8(found | np.uint8(np.uint8(m0[p] | m1[p]) | np.uint8(m2[p] | m3[p])))
    return found == KEPT


@kernel
def _add_four(planes, i, place, weights, squared, total):
    """Add a run of four images in order to a sum that is loaded and stored once."""
    y, left, size = place
    r0, r1 = planes[i, y, left : left + size], planes[i + 1, y, left : left + size]
    r2, r3 = planes[i + 2, y, left : left + size], planes[i + 3, y, left : left + size]
    w0, w1, w2, w3 = weights[i], weights[i + 1], weights[i + 2], weights[i + 3]
    if squared:
        w0, w1, w2, w3 = w0 * w0, w1 * w1, w2 * w2, w3 * w3
    for p in range(size):
        total[p] = (((total[p] + w0 * r0[p]) + w1 * r1[p]) + w2 * r2[p]) + w3 * r3[p]


@kernel
def _add_weights(weights, i, total):
    w0, w1, w2, w3 = weights[i], weights[i + 1], weights[i + 2], weights[i + 3]
    for p in range(total.size):
        total[p] = (((total[p] + w0) + w1) + w2) + w3


@kernel
def _add_four_kept(planes, flags, i, place, weights, squared, total):
    """Do `_add_four` with the kept samples."""
    y, left, size = place
    r0, r1 = planes[i, y, left : left + size], planes[i + 1, y, left : left + size]
    r2, r3 = planes[i + 2, y, left : left + size], planes[i + 3, y, left : left + size]
    m0, m1 = flags[i, y, left : left + size], flags[i + 1, y, left : left + size]
    m2, m3 = flags[i + 2, y, left : left + size], flags[i + 3, y, left : left + size]
    w0, w1, w2, w3 = weights[i], weights[i + 1], weights[i + 2], weights[i + 3]
    if squared:
        w0, w1, w2, w3 = w0 * w0, w1 * w1, w2 * w2, w3 * w3
    for p in range(size):
        a = w0 * r0[p] if m0[p] == KEPT else 0.0
        b = w1 * r1[p] if m1[p] == KEPT else 0.0
        c = w2 * r2[p] if m2[p] == KEPT else 0.0
        d = w3 * r3[p] if m3[p] == KEPT else 0.0
        total[p] = (((total[p] + a) + b) + c) + d


@kernel
def _add_weights_kept(flags, i, place, weights, total):
    y, left, size = place
    m0, m1 = flags[i, y, left : left + size], flags[i + 1, y, left : left + size]
    m2, m3 = flags[i + 2, y, left : left + size], flags[i + 3, y, left : left + size]
    w0, w1, w2, w3 = weights[i], weights[i + 1], weights[i + 2], weights[i + 3]
    for p in range(size):
        a = w0 if m0[p] == KEPT else 0.0
        b = w1 if m1[p] == KEPT else 0.0
        c = w2 if m2[p] == KEPT else 0.0
        d = w3 if m3[p] == KEPT else 0.0
        total[p] = (((total[p] + a) + b) + c) + d


@kernel
def _add_kept(values, variances, flags, i, place, factor, sums):
    """Add the kept samples of a run of one image."""
    y, left, size = place
    row, noise = values[i, y, left : left + size], variances[i, y, left : left + size]
    marks = flags[i, y, left : left + size]
    total, spread, weight = sums
    square = factor * factor
    for p in range(size):
        total[p] += factor * row[p] if marks[p] == KEPT else 0.0
        spread[p] += square * noise[p] if marks[p] == KEPT else 0.0
    for p in range(size):
        weight[p] += factor if marks[p] == KEPT else 0.0


@kernel
def _sum(one, other):
    """Add two numbers of 32 bits in as many; the sum of two of them would have 64."""
    return np.int32(one + other)


@kernel
def _rejected(mark):
    """Return 1 for a sample rejected as low, and `ABOVE` for one rejected as high."""
    return _sum(ONE if mark == LOW else ZERO, ABOVE if mark == HIGH else ZERO)


@kernel
def _missing(mark):
    return ONE if mark == INVALID else ZERO


@kernel
def _count_flags(flags, i, place, counts, tally):
    """Count missing and rejected samples in a run of an image, by pixel and in total."""
    y, left, size = place
    marks = flags[i, y, left : left + size]
    rejected, missing = counts
    for p in range(size):
        missing[p] = _sum(missing[p], _missing(marks[p]))
        rejected[p] = _sum(rejected[p], _rejected(marks[p]))
    _add_up_flags(marks, tally)


@kernel
def _count_four_flags(flags, i, place, counts, tally):
    """Do `_count_flags` with four images."""
    y, left, size = place
    m0, m1 = flags[i, y, left : left + size], flags[i + 1, y, left : left + size]
    m2, m3 = flags[i + 2, y, left : left + size], flags[i + 3, y, left : left + size]
    rejected, missing = counts
    for p in range(size):
        few = _sum(_sum(_missing(m0[p]), _missing(m1[p])), _sum(_missing(m2[p]), _missing(m3[p])))
        missing[p] = _sum(missing[p], few)
        few = _sum(
            _sum(_rejected(m0[p]), _rejected(m1[p])), _sum(_rejected(m2[p]), _rejected(m3[p]))
        )
        rejected[p] = _sum(rejected[p], few)
    _add_up_flags(m0, tally[i])
    _add_up_flags(m1, tally[i + 1])
    _add_up_flags(m2, tally[i + 2])
    _add_up_flags(m3, tally[i + 3])


@kernel
def _add_up_flags(marks, tally):
    """Add the numbers of each kind in a run of an image, which a byte holds."""
    none, one = np.uint8(0), np.uint8(1)
    missing, below, above = none, none, none
    for p in range(marks.size):
        missing = np.uint8(missing + (one if marks[p] == INVALID else none))
        below = np.uint8(below + (one if marks[p] == LOW else none))
        above = np.uint8(above + (one if marks[p] == HIGH else none))
    tally[0] += missing
    tally[1] += below
    tally[2] += above


def warm_up() -> None:
    """Compile the kernels of this module."""
    values = np.ones((3, 2, 2), dtype=np.float32)
    average(values, values, np.ones(3), np.zeros(values.shape, dtype=np.uint8))
