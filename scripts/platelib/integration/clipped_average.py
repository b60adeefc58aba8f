"""Combine registered images: rejection, growth of the rejection mask, weighted mean.

These are three passes over a block of the stack. `reject` flags samples pixel by pixel, `grow`
extends the flags to the neighbours of what was rejected, `average` forms the weighted mean with its
variance. Samples of a pixel are always summed in the order of the stack, so the result does not
depend on how the image was cut into blocks.
"""

import numpy as np

from platelib.integration.local_weights import WeightTable
from platelib.integration.psf_comparison import Comparison
from platelib.integration.rejection import Rejection, prepare, reject_strip, workspace
from platelib.integration.rejection_growth import grow_averaged
from platelib.integration.rejection_rules import NONE
from platelib.integration.spikes import forget_spikes
from platelib.integration.weighted_mean import (
    Average,
    average_strip,
    blank_average,
    room_of_strip,
    table_of,
)
from platelib.numerics.kernels import kernel


def clipped_average(
    values: np.ndarray,
    variances: np.ndarray,
    noise: np.ndarray,
    sky: float,
    rejection: Rejection,
    weights: np.ndarray | WeightTable,
    flags: np.ndarray,
    grow_px: int = 0,
    part: tuple[slice, slice] = (slice(None), slice(None)),
    compared: Comparison | None = None,
) -> Average:
    """Reject outliers, grow the rejection mask, and average the rest.

    The same as `reject`, `grow` and `average` one after the other, to the last bit; but each strip
    is averaged while it lies in the processor's cache.

    Parameters
    ----------
    values, variances, noise, sky, rejection
        As for `platelib.integration.rejection.reject`.
    weights : numpy.ndarray or WeightTable
        As for `platelib.integration.weighted_mean.average`.
    flags : numpy.ndarray
        As for `reject`; it gets the result, in the part and ``grow_px + 1`` around it.
    grow_px : int
        Reach of `platelib.integration.rejection_growth.grow`.
    part : tuple of slice, optional
        Average only these rows and columns.
    compared : Comparison, optional
        As for `reject`.

    Returns
    -------
    Average

    Raises
    ------
    ValueError
        If the method is unknown.
    """
    (top, bottom, _), (left, right, _) = (
        axis.indices(size) for axis, size in zip(part, values.shape[1:], strict=True)
    )
    corner, result = (top, left), blank_average(len(values), (bottom - top, right - left))
    room = workspace(len(values), rejection)
    _reject_and_average(
        prepare(values, variances, noise, sky, rejection, compared),
        flags,
        room,
        table_of(weights),
        corner,
        grow_px + 1 if grow_px else 0,  # what grows into the part, and its company
        result.planes,
        result.tally,
        room_of_strip(room.suspect.size),
    )
    grow_averaged(
        values, variances, weights, flags, grow_px, corner, result, sky=sky, compared=compared
    )
    return result


@kernel
def _reject_and_average(prepared, flags, room, weights, corner, margin, planes, tally, sums):
    """Reject in the part and ``margin`` around it, and average the part, strip by strip."""
    samples, rule, tables, compared = prepared
    values, variances = samples.values, samples.variances
    (_, ny, nx), strip = values.shape, room.suspect.size
    height, width = planes[0].shape
    top, bottom = max(corner[0] - margin, 0), min(corner[0] + height + margin, ny)
    start, stop = max(corner[1] - margin, 0), min(corner[1] + width + margin, nx)
    for row in range(ny):
        if row < top or row >= bottom:
            forget_spikes(flags, (row, 0, nx))
            continue
        forget_spikes(flags, (row, 0, start))
        forget_spikes(flags, (row, stop, nx))
        for left in range(start, stop, strip):
            right = min(left + strip, stop)
            place = (row, left, right)
            if rule.method == NONE:
                forget_spikes(flags, place)
            else:
                reject_strip(samples, place, rule, tables, flags, compared, room)
            y, first = row - corner[0], max(left - corner[1], 0)
            last = min(right - corner[1], width)
            if 0 <= y < height and first < last:
                place = (y, first, last)
                average_strip(values, variances, weights, flags, corner, place, planes, tally, sums)


def warm_up() -> None:
    """Compile the kernels of this module."""
    values = np.ones((3, 2, 2), dtype=np.float32)
    flags = np.zeros(values.shape, dtype=np.uint8)
    clipped_average(values, values, np.ones(3), 0.0, Rejection("mad"), np.ones(3), flags, 1)
