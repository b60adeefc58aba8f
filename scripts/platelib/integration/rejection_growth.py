"""Growth of the rejection mask to faint wings beside rejected samples of the same sub."""

import numpy as np

from platelib.integration.local_weights import WeightTable
from platelib.integration.psf_comparison import (
    LIT,
    Comparison,
    comparison_workspace,
    exceeds,
    no_comparison,
)
from platelib.integration.rejection_rules import HIGH, KEPT, LOW
from platelib.integration.weighted_mean import (
    Average,
    average_strip,
    blank_average,
    room_of_strip,
    table_of,
)
from platelib.numerics.kernels import kernel

_SIGMAS = 1.0
"""How far off the others a sample lies that is taken along, in its noise."""
_RUN = 352
"""Rejected samples are looked for in runs of so many pixels."""
_TAKEN = np.uint8(2)
"""Added to LOW or HIGH while rejections grow."""


def grow(
    values: np.ndarray,
    variances: np.ndarray,
    flags: np.ndarray,
    reach: int,
    threshold: float = _SIGMAS,
    sky: float = 0.0,
    compared: Comparison | None = None,
) -> np.ndarray:
    """Extend rejections to the faint wings of trails and cosmic rays.

    A rejected sample with at least one rejected neighbour of the same sign takes along the
    samples within ``reach`` pixels that lie on the same side of the mean of the kept ones by
    more than ``threshold`` of their noise. Where there is starlight, the side of what partners
    predict counts instead of that of the mean. A pixel of block edges within ``reach`` needs its
    neighbours: blocks overlap by ``reach + 1``.

    Parameters
    ----------
    values, variances : numpy.ndarray
        ``(n, ny, nx)`` float32.
    flags : numpy.ndarray
        ``(n, ny, nx)`` uint8 from :func:`platelib.integration.rejection.reject`.
    reach : int
        Pixels; 0 returns the flags unchanged.
    threshold : float
        In units of the noise.
    sky : float
        The common sky level of ``values``.
    compared : Comparison, optional
        Partners of the images; without them the mean decides everywhere.

    Returns
    -------
    numpy.ndarray
        ``(n, ny, nx)`` uint8.
    """
    if reach <= 0:
        return flags
    grown = flags.copy()
    looked_at = _take_all_along(values, variances, grown, reach, threshold, sky, compared)
    _settle_all(grown, looked_at, np.empty((len(flags), 3), dtype=np.int64))
    return grown


def grow_averaged(
    values: np.ndarray,
    variances: np.ndarray,
    weights: np.ndarray | WeightTable,
    flags: np.ndarray,
    reach: int,
    corner: tuple[int, int],
    result: Average,
    sky: float = 0.0,
    compared: Comparison | None = None,
) -> None:
    """Extend rejections like :func:`grow`, and correct an existing average.

    Parameters
    ----------
    values, variances, weights, flags
        As for :func:`platelib.integration.weighted_mean.average`; the flags are changed.
    reach, sky, compared
        As for :func:`grow`.
    corner : tuple of int
        Row and column at which the part that was averaged begins.
    result : Average
        Its planes and its tally are changed where samples were taken along.
    """
    if reach > 0:
        looked_at = _take_all_along(values, variances, flags, reach, _SIGMAS, sky, compared)
        _average_again(
            values,
            variances,
            table_of(weights),
            flags,
            corner,
            looked_at,
            result.planes,
            result.tally,
            np.empty_like(result.tally),
            room_of_strip(1),
        )


def _take_all_along(
    values: np.ndarray,
    variances: np.ndarray,
    flags: np.ndarray,
    reach: int,
    threshold: float,
    sky: float,
    compared: Comparison | None,
) -> np.ndarray:
    """Flag the neighbours of rejected samples, and return 1 for each checked pixel."""
    looked_at = np.zeros(flags.shape[1:], dtype=np.uint8)
    centre = np.empty(looked_at.shape, dtype=np.float32)
    rule = (int(reach), float(threshold), float(sky), compared or no_comparison(len(values)))
    _grow(values, variances, flags, rule, centre, looked_at, comparison_workspace())
    return looked_at


@kernel
def largest(marks):
    """Return the largest flag of a run, 0 if all samples are kept."""
    found = np.uint8(0)
    for p in range(marks.size):
        found = max(found, marks[p])
    return found


@kernel
def _grow(values, variances, flags, rule, centre, looked_at, work):
    n, ny, nx = values.shape
    for i in range(n):
        for y in range(ny):
            for left in range(0, nx, _RUN):
                right = min(left + _RUN, nx)
                if largest(flags[i, y, left:right]) < LOW:
                    continue
                for x in range(left, right):
                    is_rejected = flags[i, y, x] == LOW or flags[i, y, x] == HIGH
                    if is_rejected and has_company(flags, i, y, x):
                        _take_along(
                            values, variances, flags, i, y, x, rule, centre, looked_at, work
                        )


@kernel
def has_company(flags, i, y, x):
    """Return whether a neighbour was rejected with the same sign."""
    ny, nx = flags.shape[1:]
    neighbours = 0
    for v in range(max(0, y - 1), min(ny, y + 2)):
        for u in range(max(0, x - 1), min(nx, x + 2)):
            if flags[i, v, u] == flags[i, y, x]:
                neighbours += 1
    return neighbours >= 2


@kernel
def _take_along(values, variances, flags, i, y, x, rule, centre, looked_at, work):
    """Flag samples as taken along, which is not yet rejected: they have no company of their own."""
    reach, threshold, sky, compared = rule
    side = flags[i, y, x]
    ny, nx = flags.shape[1:]
    sign = 1.0 if side == HIGH else -1.0
    for v in range(max(0, y - reach), min(ny, y + reach + 1)):
        for u in range(max(0, x - reach), min(nx, x + reach + 1)):
            if flags[i, v, u] != KEPT or (v - y) ** 2 + (u - x) ** 2 > reach * reach:
                continue
            if not looked_at[v, u]:
                centre[v, u] = _mean_kept(values, flags, v, u)
                looked_at[v, u] = 1
            sigma = np.sqrt(variances[i, v, u])
            if sign * (values[i, v, u] - centre[v, u]) <= threshold * sigma:
                continue
            lit = compared.partners.shape[1] > 0 and centre[v, u] - sky > LIT * sigma
            if lit and not exceeds(
                values, variances, i, v, u, sky, side, threshold, compared, work
            ):
                continue
            flags[i, v, u] = side + _TAKEN


@kernel
def _mean_kept(values, flags, y, x):
    total = 0.0
    kept = 0
    for i in range(len(values)):
        if flags[i, y, x] == KEPT:
            total += values[i, y, x]
            kept += 1
    return total / kept


@kernel
def _settle_all(flags, looked_at, nobody):
    ny, nx = looked_at.shape
    for y in range(ny):
        for x in range(nx):
            if looked_at[y, x]:
                _settle(flags, y, x, nobody)


@kernel
def _settle(flags, y, x, tally):
    """Reject and count the flagged neighbours; return whether there were any."""
    taken = False
    for i in range(len(flags)):
        if flags[i, y, x] > HIGH:
            flags[i, y, x] -= _TAKEN
            tally[i, flags[i, y, x] - 1] += 1
            taken = True
    return taken


@kernel
def _average_again(
    values, variances, weights, flags, corner, looked_at, planes, tally, nobody, work
):
    height, width = planes[0].shape
    ny, nx = looked_at.shape
    for row in range(ny):
        for column in range(nx):
            if not looked_at[row, column]:
                continue
            y, x = row - corner[0], column - corner[1]
            inside = 0 <= y < height and 0 <= x < width
            if _settle(flags, row, column, tally if inside else nobody) and inside:
                place = (y, x, x + 1)
                average_strip(
                    values, variances, weights, flags, corner, place, planes, nobody, work
                )


def warm_up() -> None:
    """Compile the kernels of this module."""
    values = np.ones((3, 2, 2), dtype=np.float32)
    flags, weights = np.zeros(values.shape, dtype=np.uint8), np.ones(3)
    grow(values, values, flags, 1)
    grow_averaged(values, values, weights, flags, 1, (0, 0), blank_average(3, (2, 2)))
