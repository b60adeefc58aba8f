"""The exact rule of rejection across nights, for the samples of one pixel.

A sample is rejected when it differs from the weighted median by more than ``low`` or ``high`` times
its expected noise. That of a deep night is a fraction of that of a single sub, so the median is
weighted by the inverse noise: of all weighted medians this one has least noise (Gurwitz 1990,
Statistics & Probability Letters 9, 409), and no night outweighs two others that are a quarter as
deep. With equal weights it is the median.
"""

from typing import NamedTuple

import numpy as np

from platelib.integration.rejection_rules import EXCESS, HIGH, KEPT, LOW
from platelib.numerics.kernels import kernel
from platelib.numerics.order_statistics import median

_OF_CENTRE = 0.9
"""Variance of the median in the tails, over that of the weighted mean. With it, samples of 3 to 20
equal nights stand out by chance as rarely as by the limit of one normal sample: of three, the one
that stands out is compared with the nearer of two, not with their mean."""
_TIE = 1e-9
"""Relative difference by which sums of weights may differ from their half through rounding."""


class Stack(NamedTuple):
    """Samples in the form for kernels.

    Attributes
    ----------
    values, variances, weights : numpy.ndarray
        ``(n, ny, nx)`` float32.
    squares : numpy.ndarray
        ``(n,)`` float32: variance of the sky of each sample where all its subs count.
    inverse : numpy.ndarray
        ``(n,)`` float32: inverse of that variance times the weight there.
    """

    values: np.ndarray
    variances: np.ndarray
    weights: np.ndarray
    squares: np.ndarray
    inverse: np.ndarray


class Rule(NamedTuple):
    """Limits of the rejection, for kernels; ``rejects`` is whether there is any."""

    rejects: bool
    low: float
    high: float
    max_iterations: int
    sky: float
    tolerance: float


class Systematic(NamedTuple):
    """Systematic differences of the samples, in cells of the grid, for kernels.

    Attributes
    ----------
    scatter : numpy.ndarray
        ``(cells down, cells across, n)`` float32: measured over expected variance, 1 or more.
    offset : numpy.ndarray
        ``(cells down, cells across, n)`` float32: squares of offsets.
    of_partners : numpy.ndarray
        ``(cells down, cells across, n)`` float32: mean square offset of a sample's partners.
    first_row, first_column : int
        Where the arrays begin in the first cell, pixels.
    cell : int
        Rows and columns of a cell, pixels.
    """

    scatter: np.ndarray
    offset: np.ndarray
    of_partners: np.ndarray
    first_row: int
    first_column: int
    cell: int


@kernel
def expected_spread(stack, y, x, systematic, state, spread, scratch):
    """Expected variance of each sample, with systematic differences.

    A cosmic ray that a night kept raises the variance expected of its own pixel. The bound is that
    of `platelib.integration.rejection_rules.expected_noise`, for the variance that the sky alone
    would have with the weight that the sample has here: at dithered edges fewer subs of a night
    remain, and its variance is larger for good reason.
    """
    count = 0
    for i in range(state.size):
        spread[i] = stack.variances[i, y, x]
        if state[i] == KEPT:
            weight = np.float64(stack.weights[i, y, x])
            scratch[count] = spread[i] * weight * stack.inverse[i]
            count += 1
    typical = median(scratch, count) if count else 0.0
    row = (y + systematic.first_row) // systematic.cell
    column = (x + systematic.first_column) // systematic.cell
    scatter, offset = systematic.scatter[row, column], systematic.offset[row, column]
    for i in range(state.size):
        if state[i] == KEPT:
            weight = np.float64(stack.weights[i, y, x])
            bound = EXCESS * typical / (weight * stack.inverse[i])
            spread[i] = scatter[i] * min(spread[i], bound) + offset[i]


@kernel
def add_offset_of_partners(y, x, systematic, spread):
    """Allow for the systematic error of predictions from partners."""
    row = (y + systematic.first_row) // systematic.cell
    column = (x + systematic.first_column) // systematic.cell
    for i in range(spread.size):
        spread[i] += systematic.of_partners[row, column, i]


@kernel
def clip_weighted(stack, y, x, rule, samples, state, spread, order):
    """Reject samples beyond a multiple of their expected noise, and its own, from the median."""
    count = 0
    for i in range(samples.size):
        if state[i] == KEPT:
            order[count] = i
            count += 1
    _sort_by(order, samples, count)
    inverse = 0.0
    for k in range(count):
        inverse += 1.0 / spread[order[k]]
    of_centre = _OF_CENTRE / inverse
    inside = 0.99 * max(min(rule.low, rule.high), 0.0) ** 2
    for _ in range(rule.max_iterations):
        if count < 3:
            return
        centre = weighted_median(stack.weights, y, x, samples, order, count)
        slack = rule.tolerance * max(centre - rule.sky, 0.0)
        left = 0
        for k in range(count):
            i = order[k]
            square = (samples[i] - centre) ** 2
            variance = spread[i] + of_centre + slack * slack
            # Far inside the limits no root is needed.
            if square >= inside * variance:
                width = np.sqrt(variance)
                if samples[i] < centre - rule.low * width:
                    state[i] = LOW
                elif samples[i] > centre + rule.high * width:
                    state[i] = HIGH
            if state[i] == KEPT:
                order[left] = i
                left += 1
        if left == count:
            return
        count = left


@kernel
def weighted_median(weights, y, x, samples, order, count):
    """Median of the samples in rising order, with the square roots of their weights."""
    total = 0.0
    for k in range(count):
        total += np.sqrt(np.float64(weights[order[k], y, x]))
    below = 0.0
    for k in range(count):
        below += np.sqrt(np.float64(weights[order[k], y, x]))
        if 2.0 * below >= total * (1.0 - _TIE):
            if 2.0 * below <= total * (1.0 + _TIE) and k + 1 < count:
                return 0.5 * (samples[order[k]] + samples[order[k + 1]])
            return samples[order[k]]
    return samples[order[count - 1]]


@kernel
def _sort_by(order, keys, count):
    """Sort the first ``count`` numbers by their keys: insertion in steps that shrink."""
    step = 1
    while 9 * step < count:
        step = 3 * step + 1
    while step:
        for i in range(step, count):
            number = order[i]
            key = keys[number]
            j = i - step
            while j >= 0 and keys[order[j]] > key:
                order[j + step] = order[j]
                j -= step
            order[j + step] = number
        step //= 3
