"""The prefilter of the merge: find the pixels of a strip that may hold an outlier.

It follows :mod:`platelib.integration.rejection_prefilter`: a bracket that the weighted median is
known to lie in, because less than half of the weight lies beyond either end, and variances that are
known to be no larger than the true ones. Pixels in which no sample lies beyond the limits even so
are clean; :mod:`platelib.night_merge.rules` decides on all others.
"""

import numpy as np

from platelib.integration.rejection_prefilter import (
    HUGE,
    ONE,
    REACH,
    SAFE,
    TINY,
    TYPICAL,
    ZERO,
)
from platelib.integration.rejection_rules import EXCESS
from platelib.numerics.kernels import kernel

PLANES = 8
"""Rows of the working memory of `screen`."""
_HALF = np.float32(0.5 * (1.0 - 1e-3))
"""Half of the weight, less the rounding of sums in single precision."""


@kernel
def screen(stack, place, rule, systematic, pairs, work, tally, suspect):
    """Mark the pixels of a strip that may hold an outlier.

    Parameters
    ----------
    stack : Stack
    place : tuple of int
        Row, first column and the one after the last.
    rule : Rule
    systematic : Systematic
    pairs : bool
        Whether the brighter of two samples can be an outlier.
    work, tally : numpy.ndarray
        ``(PLANES, strip)`` float32 and ``(3, strip)`` int32; the first row of ``tally`` gets the
        number of samples with data.
    suspect : numpy.ndarray
        ``(strip,)`` bool.
    """
    y, left, right = place
    width, n = right - left, stack.squares.size
    for p in range(width):
        work[0, p] = work[1, p] = work[2, p] = work[3, p] = np.float32(0.0)
        tally[0, p] = tally[1, p] = tally[2, p] = ZERO
    cells = systematic.cell
    down = (y + systematic.first_row) // cells
    for i in range(n):
        start = left
        while start < right:
            across = (start + systematic.first_column) // cells
            stop = min(right, (across + 1) * cells - systematic.first_column)
            scatter, offset = (
                systematic.scatter[down, across, i],
                systematic.offset[down, across, i],
            )
            _add(stack, i, y, start, stop, left, scatter, offset, work, tally)
            start = stop
    _bracket(rule, width, work, tally)
    for i in range(n):
        start = left
        while start < right:
            across = (start + systematic.first_column) // cells
            stop = min(right, (across + 1) * cells - systematic.first_column)
            scatter, offset = (
                systematic.scatter[down, across, i],
                systematic.offset[down, across, i],
            )
            _test(stack, i, y, start, stop, left, rule, scatter, offset, work, tally)
            start = stop
    has_pairs = False
    for p in range(width):
        count = tally[0, p]
        half = (count - 1) // 2
        limit = _HALF * work[1, p]
        sure = abs(work[4, p]) + abs(work[5, p]) < HUGE
        sure &= (work[2, p] < limit) & (work[3, p] < limit)
        sure &= (tally[1, p] <= half) & (tally[2, p] == ZERO)
        suspect[p] = not sure and count >= 3
        has_pairs |= count == 2
    if pairs and has_pairs:
        _screen_pairs(stack, place, rule, systematic, work, tally, suspect)


@kernel
def _add(stack, i, y, start, stop, left, scatter, offset, work, tally):
    """Sum weighted samples, weights, relative variances, and variances with their weight."""
    values, spreads = stack.values[i, y, start:stop], stack.variances[i, y, start:stop]
    weights, inverse = stack.weights[i, y, start:stop], stack.inverse[i]
    here = slice(start - left, stop - left)
    total, roots, scale, error = work[0][here], work[1][here], work[2][here], work[3][here]
    number = tally[0][here]
    zero = np.float32(0.0)
    for p in range(values.size):
        value, weight = values[p], weights[p]
        known = value == value
        root = np.sqrt(weight)
        variance = spreads[p] * weight
        total[p] += root * value if known else zero
        roots[p] += root if known else zero
        scale[p] += variance * inverse if known else zero
        error[p] += scatter * variance + offset * weight if known else zero
    for p in range(values.size):
        number[p] += ONE if values[p] == values[p] else ZERO


@kernel
def _bracket(rule, width, work, tally):
    """Turn the sums into a bracket, a bound of variances and a slack; clear what `_test` sums."""
    for p in range(width):
        count = max(tally[0, p], 1)
        root = max(np.float64(work[1, p]), 1e-30)
        middle = work[0, p] / root
        typical = work[2, p] / count
        # By the tolerance of its light a sample may be off, too.
        extra = rule.tolerance * max(middle - rule.sky, 0.0)
        error = REACH * np.sqrt(work[3, p] / (root * root) + extra * extra / count)
        work[4, p], work[5, p] = middle - error, middle + error
        work[6, p] = EXCESS * TYPICAL * typical
        extra = rule.tolerance * max(np.float64(work[4, p]) - rule.sky, 0.0)
        work[7, p] = extra * extra * SAFE
        work[2, p] = work[3, p] = np.float32(0.0)


@kernel
def _least_spread(variance, weight, inverse, cap, scatter, offset):
    """Return a variance that a sample has at least, if ``cap`` is no larger than its bound."""
    ratio = variance * weight * inverse
    bounded = variance if ratio <= cap else variance * (cap / ratio)
    return scatter * bounded + offset


@kernel
def _test(stack, i, y, start, stop, left, rule, scatter, offset, work, tally):
    """Sum the weight beyond the bracket; count thin variances and samples beyond the limits."""
    values, spreads = stack.values[i, y, start:stop], stack.variances[i, y, start:stop]
    weights, inverse = stack.weights[i, y, start:stop], stack.inverse[i]
    here = slice(start - left, stop - left)
    below, above, least, most = work[2][here], work[3][here], work[4][here], work[5][here]
    cap, slack = work[6][here], work[7][here]
    thin, out = tally[1][here], tally[2][here]
    low = np.float32(rule.low * rule.low * SAFE)
    high = np.float32(rule.high * rule.high * SAFE)
    zero, share = np.float32(0.0), np.float32((1.0 / EXCESS) / SAFE)
    for p in range(values.size):
        value, variance, weight = values[p], spreads[p], weights[p]
        bound = _least_spread(variance, weight, inverse, cap[p], scatter, offset) + slack[p]
        over, under = max(value - least[p], zero), max(most[p] - value, zero)
        far = (over * over >= high * bound - TINY) | (under * under >= low * bound - TINY)
        out[p] += ONE if far else ZERO
        root = np.sqrt(weight)
        below[p] += root if value < least[p] else zero
        above[p] += root if value > most[p] else zero
    for p in range(values.size):
        ratio = spreads[p] * weights[p] * inverse
        is_thin = (ratio < cap[p] * share) & (values[p] == values[p])
        thin[p] += ONE if is_thin else ZERO


@kernel
def _screen_pairs(stack, place, rule, systematic, work, tally, suspect):
    """Mark the pixels with two samples that differ by more than noise explains."""
    y, left, right = place
    row = (y + systematic.first_row) // systematic.cell
    for p in range(right - left):
        if tally[0, p] != 2:
            continue
        x = left + p
        column = (x + systematic.first_column) // systematic.cell
        one, other, bound = np.float32(np.nan), np.float32(np.nan), np.float32(0.0)
        for i in range(stack.squares.size):
            value = stack.values[i, y, x]
            if value == value:
                one, other = other, value
                bound += _least_spread(
                    stack.variances[i, y, x],
                    stack.weights[i, y, x],
                    stack.inverse[i],
                    work[6, p],
                    systematic.scatter[row, column, i],
                    systematic.offset[row, column, i],
                )
        difference = one - other
        sure = difference * difference < np.float32(rule.high * rule.high * SAFE) * bound - TINY
        suspect[p] = not sure
