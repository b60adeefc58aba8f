"""Rejection by the median absolute deviation for the samples of one pixel in rising order.

It keeps what ``mad`` of :mod:`platelib.integration.rejection_rules` keeps. What is rejected lies at
either end, so that the median of the rest is read off and its median deviation found from the
middle outwards.
"""

from platelib.numerics.constants import MAD_TO_SIGMA
from platelib.numerics.kernels import kernel

_ROUNDS = 3


@kernel
def within(ordered, reach):
    """Return whether all samples lie within ``reach`` of the median."""
    n = ordered.size
    centre = 0.5 * float(ordered[(n - 1) // 2]) + 0.5 * float(ordered[n // 2])
    return max(ordered[n - 1] - centre, centre - ordered[0]) <= reach


@kernel
def strike(ordered, count, sigma, floor):
    """Return start and stop of the kept samples among the first ``count``, in rising order.

    Struck is what is further from the median than ``sigma`` times the spread: 1.4826 times the
    median deviation, and at least the floor.
    """
    start, stop = 0, count
    for _ in range(_ROUNDS):
        before = stop - start
        if before < 3:
            break
        centre = 0.5 * ordered[start + (before - 1) // 2] + 0.5 * ordered[start + before // 2]
        spread = MAD_TO_SIGMA * _median_deviation(ordered[start:stop], centre)
        reach = sigma * max(spread, floor)
        while ordered[start] < centre - reach:
            start += 1
        while ordered[stop - 1] > centre + reach:
            stop -= 1
        if stop - start == before:
            break
    return start, stop


@kernel
def _median_deviation(ordered, centre):
    """Median distance from the centre of samples in rising order, from the middle outwards."""
    count = ordered.size
    above = count // 2
    while above > 0 and ordered[above - 1] > centre:
        above -= 1
    below = above - 1
    distance, last = 0.0, 0.0
    for _ in range(count // 2 + 1):
        last = distance
        take_below = above == count or (
            below >= 0 and centre - ordered[below] <= ordered[above] - centre
        )
        if take_below:
            distance = centre - ordered[below]
            below -= 1
        else:
            distance = ordered[above] - centre
            above += 1
    return distance if count % 2 else 0.5 * last + 0.5 * distance
