"""Merge night stacks and single subs: rejection, growth of its mask, weighted mean.

With the kept samples the mean is ``sum(W m) / sum(W)`` and its variance ``sum(W^2 V) / sum(W)^2``:
the mean of one pass over all subs that were kept, with their weights.

Nights differ in depth. So every method but ``none`` rejects by the expected noise of each sample:
those that estimate the spread from the samples would take a deep night and a single sub for equals.
"""

import numpy as np

from platelib.integration.psf_comparison import Comparison, no_comparison
from platelib.integration.rejection import Rejection
from platelib.integration.rejection_rules import METHODS
from platelib.integration.spikes import forget_spikes
from platelib.integration.weighted_mean import Average, blank_average
from platelib.night_merge.growth import grow_into, settle
from platelib.night_merge.merged_mean import average_strip, mean_workspace
from platelib.night_merge.offsets import FloorTable, no_floors
from platelib.night_merge.rejection import Prepared, reject_strip, workspace
from platelib.night_merge.rules import Rule, Stack, Systematic
from platelib.night_merge.samples import NightSamples
from platelib.numerics.kernels import kernel

_SHORT_STRIP, _STRIP = 176, 1056
_CACHE_BYTES, _SAMPLE_BYTES = 800_000, 19
"""What the samples of a strip may take of the processor's cache: planes and flag."""


def merge(
    samples: NightSamples,
    flags: np.ndarray,
    noise: np.ndarray,
    full_weight: np.ndarray,
    sky: float,
    rejection: Rejection,
    compared: Comparison | None = None,
    floors: FloorTable | None = None,
    grow_px: int = 0,
    part: tuple[slice, slice] = (slice(None), slice(None)),
) -> Average:
    """Reject outliers across samples, grow the rejection mask, and average the rest.

    Parameters
    ----------
    samples : NightSamples
    flags : numpy.ndarray
        ``(n, ny, nx)`` uint8: 1 where values are NaN, `platelib.numerics.mask_bits.SPIKE` where a
        single sub shows a spike, else 0. In the part and ``grow_px + 1`` around it, it gets 2 for
        samples rejected as low, 3 for those rejected as high.
    noise : numpy.ndarray
        ``(n,)`` float64: noise of the sky of each sample where all its subs count.
    full_weight : numpy.ndarray
        ``(n,)`` float64: its weight there.
    sky : float
        The common sky level of the values.
    rejection : Rejection
        Limits, iterations and tolerance. All methods but ``none`` use the expected noise.
    compared : Comparison, optional
        The second test, at equal star images; without it the first one decides alone, and nothing
        is rejected where there are two samples.
    floors : FloorTable, optional
        Systematic differences of the samples in these arrays.
    grow_px : int
        Reach of the growth of the rejection mask.
    part : tuple of slice, optional
        Average only these rows and columns. The arrays need ``grow_px + 1`` pixels around it, and
        `platelib.integration.psf_comparison.Comparison.margin` around those.

    Returns
    -------
    Average

    Raises
    ------
    ValueError
        If the method is unknown.
    """
    if rejection.method not in METHODS:
        msg = f"unknown rejection method {rejection.method!r}; choose from {', '.join(METHODS)}"
        raise ValueError(msg)
    n = len(samples.values)
    (top, bottom, _), (left, right, _) = (
        axis.indices(size) for axis, size in zip(part, samples.values.shape[1:], strict=True)
    )
    result = blank_average(n, (bottom - top, right - left))
    prepared = _prepare(samples, noise, full_weight, sky, rejection, compared, floors)
    fits = _CACHE_BYTES // (_SAMPLE_BYTES * max(n, 1)) // 16 * 16
    strip = max(_SHORT_STRIP, min(fits, _STRIP))
    _merge(
        samples,
        prepared,
        flags,
        (top, left),
        int(grow_px),
        result.planes,
        result.tally,
        workspace(n, strip),
        mean_workspace(strip),
        np.zeros(result.mean.shape, dtype=np.bool_),
        np.empty_like(result.tally),
    )
    return result


def _prepare(
    samples: NightSamples,
    noise: np.ndarray,
    full_weight: np.ndarray,
    sky: float,
    rejection: Rejection,
    compared: Comparison | None,
    floors: FloorTable | None,
) -> Prepared:
    n = len(samples.values)
    compared = compared or no_comparison(n)
    squares = np.square(np.asarray(noise, dtype=np.float64))
    stack = Stack(
        samples.values,
        samples.variances,
        samples.weights,
        squares.astype(np.float32),
        (1.0 / (squares * np.asarray(full_weight, dtype=np.float64))).astype(np.float32),
    )
    rule = Rule(
        rejection.method != "none",
        float(rejection.low),
        float(rejection.high),
        int(rejection.max_iterations),
        float(sky),
        float(rejection.tolerance),
    )
    scatter, offset, *place = floors or no_floors(n)
    squared, of_partners = np.square(offset), np.zeros(offset.shape)
    if compared.partners.shape[1]:
        of_partners = squared[..., compared.partners].mean(axis=-1)
    systematic = Systematic(
        np.square(scatter).astype(np.float32),
        squared.astype(np.float32),
        of_partners.astype(np.float32),
        *place,
    )
    return Prepared(stack, rule, systematic, compared)


@kernel
def _merge(samples, prepared, flags, corner, grow_px, planes, tally, room, sums, changed, nobody):
    """Reject in the part and around it, average the part strip by strip, and grow the mask."""
    stack, rule, systematic, compared = prepared
    (_, ny, nx), strip = flags.shape, room.suspect.size
    height, width = planes[0].shape
    margin = grow_px + 1 if grow_px > 0 else 0
    top, bottom = max(corner[0] - margin, 0), min(corner[0] + height + margin, ny)
    start, stop = max(corner[1] - margin, 0), min(corner[1] + width + margin, nx)
    for row in range(top, bottom):
        for left in range(start, stop, strip):
            right = min(left + strip, stop)
            if rule.rejects:
                reject_strip(prepared, (row, left, right), flags, room)
            else:
                forget_spikes(flags, (row, left, right))
            y, first = row - corner[0], max(left - corner[1], 0)
            last = min(right - corner[1], width)
            if 0 <= y < height and first < last:
                average_strip(samples, flags, corner, (y, first, last), planes, tally, sums)
    if grow_px <= 0 or not rule.rejects:
        return
    grow_into(
        stack,
        flags,
        grow_px,
        rule,
        systematic,
        compared,
        corner,
        planes[0],
        planes[2],
        changed,
        room.around,
    )
    for y in range(height):
        for x in range(width):
            if changed[y, x]:
                settle(flags, corner[0] + y, corner[1] + x, tally)
                average_strip(samples, flags, corner, (y, x, x + 1), planes, nobody, sums)


def warm_up() -> None:
    """Compile the kernels of this module."""
    planes = [np.ones((3, 2, 2), dtype=np.float32)] * 3
    counts = [np.ones((3, 2, 2), dtype=np.int16)] * 3
    flags = np.zeros((3, 2, 2), dtype=np.uint8)
    samples = NightSamples(*planes, *counts)
    merge(samples, flags, np.ones(3), np.ones(3), 0.0, Rejection(), grow_px=1)
