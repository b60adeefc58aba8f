"""The weighted mean of the samples that rejection kept, with its counts of subs."""

import numpy as np

from platelib.integration.rejection_rules import HIGH, INVALID, KEPT, LOW
from platelib.numerics import aligned
from platelib.numerics.kernels import kernel


def mean_workspace(strip: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the working memory of `average_strip`: sums and counts of each pixel."""
    return aligned.empty((3, strip), np.float64), aligned.empty((3, strip), np.int32)


@kernel
def average_strip(samples, flags, corner, place, planes, tally, work):
    """Average a strip of a row.

    Parameters
    ----------
    samples : NightSamples
    flags : numpy.ndarray
        ``(n, ny, nx)`` uint8.
    corner : tuple of int
        Row and column at which the result begins.
    place : tuple of int
        Row of the result, its first column and the one after the last.
    planes : tuple of numpy.ndarray
        Mean, variance, weight, count, low and high of the result.
    tally : numpy.ndarray
        ``(n, 3)`` int64: missing and rejected samples are added.
    work : tuple of numpy.ndarray
        From `mean_workspace`.
    """
    y, left, right = place
    width = right - left
    sums, numbers = work
    zero = np.int32(0)
    for p in range(width):
        sums[0, p] = sums[1, p] = sums[2, p] = 0.0
        numbers[0, p] = numbers[1, p] = numbers[2, p] = zero
    row, first = corner[0] + y, corner[1] + left
    for i in range(len(flags)):
        marks = flags[i, row, first : first + width]
        if _are_kept(marks):
            _add(samples, i, row, first, width, sums, numbers)
        else:
            _add_kept(samples, i, row, first, width, marks, sums, numbers)
            _tally_flags(marks, tally[i])
    mean, variance, weight, count, low, high = planes
    for p in range(width):
        x, total = left + p, sums[2, p]
        kept = total > 0.0
        mean[y, x] = sums[0, p] / total if kept else np.nan
        variance[y, x] = sums[1, p] / (total * total) if kept else np.nan
        weight[y, x] = total
        count[y, x] = numbers[0, p]
        low[y, x] = numbers[1, p]
        high[y, x] = numbers[2, p]


@kernel
def _are_kept(marks):
    found = np.uint8(0)
    for p in range(marks.size):
        found = np.uint8(found | marks[p])
    return found == KEPT


@kernel
def _add(samples, i, y, first, width, sums, numbers):
    """Add a run of one sample."""
    values = samples.values[i, y, first : first + width]
    variances = samples.variances[i, y, first : first + width]
    weights = samples.weights[i, y, first : first + width]
    total, spread, weight = sums[0], sums[1], sums[2]
    for p in range(width):
        w = np.float64(weights[p])
        total[p] += w * values[p]
        spread[p] += w * w * variances[p]
        weight[p] += w
    counts = samples.counts[i, y, first : first + width]
    lows, highs = (
        samples.low[i, y, first : first + width],
        samples.high[i, y, first : first + width],
    )
    count, low, high = numbers[0], numbers[1], numbers[2]
    for p in range(width):
        count[p] = np.int32(count[p] + counts[p])
        low[p] = np.int32(low[p] + lows[p])
        high[p] = np.int32(high[p] + highs[p])


@kernel
def _add_kept(samples, i, y, first, width, marks, sums, numbers):
    """Add the kept pixels of a run of one sample; the subs of rejected ones are rejected."""
    values = samples.values[i, y, first : first + width]
    variances = samples.variances[i, y, first : first + width]
    weights = samples.weights[i, y, first : first + width]
    total, spread, weight = sums[0], sums[1], sums[2]
    for p in range(width):
        w = np.float64(weights[p])
        kept = marks[p] == KEPT
        total[p] += w * values[p] if kept else 0.0
        spread[p] += w * w * variances[p] if kept else 0.0
        weight[p] += w if kept else 0.0
    counts = samples.counts[i, y, first : first + width]
    lows, highs = (
        samples.low[i, y, first : first + width],
        samples.high[i, y, first : first + width],
    )
    count, low, high = numbers[0], numbers[1], numbers[2]
    zero = np.int32(0)
    for p in range(width):
        number, mark = np.int32(counts[p]), marks[p]
        count[p] = np.int32(count[p] + (number if mark == KEPT else zero))
        low[p] = np.int32(low[p] + np.int32(lows[p] + (number if mark == LOW else zero)))
        high[p] = np.int32(high[p] + np.int32(highs[p] + (number if mark == HIGH else zero)))


@kernel
def _tally_flags(marks, tally):
    for p in range(marks.size):
        tally[0] += marks[p] == INVALID
        tally[1] += marks[p] == LOW
        tally[2] += marks[p] == HIGH
