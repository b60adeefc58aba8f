"""Spikes: samples beside a pixel that is sharper than any star of its sub.

:mod:`platelib.resampling.sharp_pixels` finds them. Flags say which they are until rejection
has decided.
"""

import numpy as np

from platelib.integration.rejection_rules import HIGH, INVALID, KEPT
from platelib.numerics.kernels import kernel
from platelib.numerics.mask_bits import SPIKE
from platelib.numerics.order_statistics import median

_SPIKE_SIGMAS = 1.0
_DARK_SIGMAS = 3.0


@kernel
def are_any_spikes(flags, place):
    """Return whether a strip has a sample with a spike."""
    y, left, right = place
    found = np.uint8(0)
    for i in range(len(flags)):
        row = flags[i, y, left:right]
        for p in range(row.size):
            found = np.uint8(found | row[p])
    return found & SPIKE != 0


@kernel
def suspect_spikes(flags, place, spiked, suspect):
    """Mark the pixels with a spike as suspect."""
    y, left, right = place
    for p in range(right - left):
        spiked[p] = False
    for i in range(len(flags)):
        row = flags[i, y, left:right]
        for p in range(row.size):
            spiked[p] |= row[p] == SPIKE
    for p in range(right - left):
        suspect[p] |= spiked[p]


@kernel
def forget_spikes(flags, place):
    """Keep the samples of a strip that have a spike."""
    y, left, right = place
    for i in range(len(flags)):
        row = flags[i, y, left:right]
        for p in range(row.size):
            row[p] = INVALID if row[p] == INVALID else KEPT


@kernel
def clip_spikes(flags, y, x, samples, state, spread, sky, scratch):
    """Off stars: reject the samples beside a spike that lie above the others.

    A pixel that stands out in its own frame as no star does was hit by something. Between pixels
    of the frame a sample shows a quarter of that, too little for the limits of a lone sample.
    """
    count = 0
    for i in range(samples.size):
        if state[i] == KEPT and flags[i, y, x] != SPIKE:
            scratch[count] = samples[i]
            count += 1
    if count == 0:
        return
    centre = median(scratch, count)
    for i in range(samples.size):
        if state[i] != KEPT or flags[i, y, x] != SPIKE:
            continue
        sigma = np.sqrt(spread[i])
        if centre - sky < _DARK_SIGMAS * sigma and samples[i] > centre + _SPIKE_SIGMAS * sigma:
            state[i] = HIGH
