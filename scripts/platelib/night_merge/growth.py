"""Growth of the rejection mask to faint wings beside rejected pixels of the same sample.

It does what :mod:`platelib.integration.rejection_growth` does for subs. Samples of different depth
need the weighted mean as their centre: beside shallow ones, the plain mean is off by several times
the noise of a deep one.
"""

import numpy as np

from platelib.integration.psf_comparison import LIT, exceeds
from platelib.integration.rejection_growth import has_company, largest
from platelib.integration.rejection_rules import HIGH, KEPT, LOW
from platelib.numerics.kernels import kernel

_SIGMAS = 1.0
"""How far off the others a sample lies that is taken along, in its noise."""
_FEWEST_OTHERS = 0.02
"""Share of the weight that others have at least where a sample can differ from the mean."""
_RUN = 352
"""Rejected samples are looked for in runs of so many pixels."""
_TAKEN = np.uint8(2)
"""Added to LOW or HIGH while rejections grow."""


@kernel
def grow_into(
    stack, flags, reach, rule, systematic, compared, corner, mean, weight, changed, around
):
    """Flag the neighbours of rejected samples in the part that was averaged.

    Parameters
    ----------
    stack : Stack
    flags : numpy.ndarray
        ``(n, ny, nx)`` uint8 after rejection. Neighbours get `_TAKEN` in addition: they have no
        company of their own; `settle` makes them rejected.
    reach : int
        Pixels.
    rule : Rule
    systematic : Systematic
    compared : Comparison
    corner : tuple of int
        Row and column at which the part begins.
    mean, weight : numpy.ndarray
        ``(height, width)`` float32: weighted mean of the kept samples of the part, and the sum of
        their weights.
    changed : numpy.ndarray
        ``(height, width)`` bool: gets True where a sample was flagged.
    around : numpy.ndarray
        From `platelib.integration.psf_comparison.comparison_workspace`.
    """
    n, ny, nx = flags.shape
    height, width = mean.shape
    first, last = max(corner[0] - reach, 0), min(corner[0] + height + reach, ny)
    start, stop = max(corner[1] - reach, 0), min(corner[1] + width + reach, nx)
    for i in range(n):
        for y in range(first, last):
            for left in range(start, stop, _RUN):
                right = min(left + _RUN, stop)
                if largest(flags[i, y, left:right]) < LOW:
                    continue
                for x in range(left, right):
                    is_rejected = flags[i, y, x] == LOW or flags[i, y, x] == HIGH
                    if is_rejected and has_company(flags, i, y, x):
                        _take_along(
                            stack, flags, i, y, x, reach, rule, systematic, compared, corner,
                            mean, weight, changed, around,
                        )  # fmt: skip


@kernel
def _take_along(
    stack, flags, i, y, x, reach, rule, systematic, compared, corner, mean, weight, changed, around
):
    side = flags[i, y, x]
    height, width = mean.shape
    sign = 1.0 if side == HIGH else -1.0
    cell = systematic.cell
    for v in range(max(corner[0], y - reach), min(corner[0] + height, y + reach + 1)):
        for u in range(max(corner[1], x - reach), min(corner[1] + width, x + reach + 1)):
            if flags[i, v, u] != KEPT or (v - y) ** 2 + (u - x) ** 2 > reach * reach:
                continue
            row, column = (v + systematic.first_row) // cell, (u + systematic.first_column) // cell
            square = systematic.scatter[row, column, i] * np.float64(stack.variances[i, v, u])
            sigma = np.sqrt(square + systematic.offset[row, column, i])
            centre = np.float64(mean[v - corner[0], u - corner[1]])
            # Less than all of the sample's noise is in its difference from a mean that it is in.
            others = 1.0 - stack.weights[i, v, u] / np.float64(weight[v - corner[0], u - corner[1]])
            excess = sign * (stack.values[i, v, u] - centre)
            if others < _FEWEST_OTHERS or not excess > _SIGMAS * sigma * np.sqrt(others):
                continue
            lit = compared.partners.shape[1] > 0 and centre - rule.sky > LIT * sigma
            if lit and not exceeds(
                stack.values, stack.variances, i, v, u, rule.sky, side, _SIGMAS, compared, around
            ):
                continue
            flags[i, v, u] = side + _TAKEN
            changed[v - corner[0], u - corner[1]] = True


@kernel
def settle(flags, y, x, tally):
    """Reject and count the flagged neighbours of a pixel."""
    for i in range(len(flags)):
        if flags[i, y, x] > HIGH:
            flags[i, y, x] -= _TAKEN
            tally[i, flags[i, y, x] - 1] += 1
