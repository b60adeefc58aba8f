"""The rules of rejection for the samples of one pixel, in double precision.

They decide. What :mod:`platelib.integration.rejection_prefilter` can prove to be free of outliers
never comes here; all other pixels do.
"""

import numpy as np

from platelib.numerics.constants import MAD_TO_SIGMA
from platelib.numerics.kernels import kernel
from platelib.numerics.mask_bits import SPIKE
from platelib.numerics.order_statistics import median, sort

KEPT, INVALID, LOW, HIGH = 0, 1, 2, 3
_SPIKE_SIGMAS = 1.0
_DARK_SIGMAS = 3.0
EXCESS = 1.2


@kernel
def gather(values, y, x, samples, state):
    """Copy the samples of a pixel and mark those without data."""
    for i in range(samples.size):
        samples[i] = values[i, y, x]
        state[i] = INVALID if np.isnan(values[i, y, x]) else KEPT


@kernel
def _kept(samples, state, buffer):
    """Copy the kept samples to the buffer; return how many there are."""
    count = 0
    for i in range(samples.size):
        buffer[count] = samples[i]
        if state[i] == KEPT:
            count += 1
    return count


@kernel
def expected_noise(variances, noise, y, x, state, spread, scratch):
    """Expected variance of each sample, not inflated by what struck it.

    A cosmic ray raises the photon noise that the model expects of its own pixel; the median
    over the stack, scaled by the noise of the sky, bounds it. The bound leaves room for a sub
    that resampling happened to smooth less than the others.
    """
    count = 0
    for i in range(noise.size):
        spread[i] = variances[i, y, x]
        scratch[count] = spread[i] / (noise[i] * noise[i])
        if state[i] == KEPT:
            count += 1
    typical = median(scratch, count) if count else 0.0
    for i in range(noise.size):
        bound = EXCESS * typical * noise[i] * noise[i]
        spread[i] = min(spread[i], bound)


@kernel
def clip_expected(samples, state, spread, sky, low, high, max_iterations, tolerance, scratch):
    """``noise``: strike what differs from the median by more than its expected noise allows."""
    inside = 0.99 * max(min(low, high), 0.0) ** 2
    for _ in range(max_iterations):
        count = _kept(samples, state, scratch)
        if count < 3:
            return
        centre = median(scratch, count)
        slack = tolerance * max(centre - sky, 0.0)
        changed = False
        for i in range(samples.size):
            square = (samples[i] - centre) ** 2
            # Far inside the limits no root is needed.
            if state[i] != KEPT or square < inside * (spread[i] + slack * slack):
                continue
            width = np.sqrt(spread[i] + slack * slack)
            if samples[i] < centre - low * width:
                state[i] = LOW
                changed = True
            elif samples[i] > centre + high * width:
                state[i] = HIGH
                changed = True
        if not changed:
            return


@kernel
def clip_pair(samples, state, spread, high):
    """Where two samples are all there is: reject the brighter if noise does not explain it.

    Cosmic rays and trails add light; nothing that is as common takes it away.
    """
    bright, faint = -1, -1
    for i in range(samples.size):
        if state[i] != KEPT:
            continue
        if bright < 0 or samples[i] > samples[bright]:
            bright, faint = i, bright
        else:
            faint = i
    difference = samples[bright] - samples[faint]
    if difference > high * np.sqrt(spread[bright] + spread[faint]):
        state[bright] = HIGH


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


@kernel
def clip_spread(samples, state, use_mad, low, high, max_iterations, scratch):
    """``sigma`` and ``mad``: strike what differs from the median by more than the spread allows."""
    for _ in range(max_iterations):
        count = _kept(samples, state, scratch)
        if count < 3:
            return
        centre, width = _centre_and_spread(samples, state, use_mad, scratch, count)
        changed = False
        for i in range(samples.size):
            if state[i] != KEPT:
                continue
            if samples[i] < centre - low * width:
                state[i] = LOW
                changed = True
            elif samples[i] > centre + high * width:
                state[i] = HIGH
                changed = True
        if not changed:
            return


@kernel
def _centre_and_spread(samples, state, use_mad, scratch, count):
    if use_mad:
        centre = median(scratch, count)
        _kept(samples, state, scratch)
        for i in range(count):
            scratch[i] = abs(scratch[i] - centre)
        return centre, MAD_TO_SIGMA * median(scratch, count)
    sort(scratch, count)
    centre = 0.5 * (scratch[(count - 1) // 2] + scratch[count // 2])
    mean = 0.0
    for i in range(count):
        mean += scratch[i]
    mean /= count
    square = 0.0
    for i in range(count):
        square += (scratch[i] - mean) ** 2
    return centre, np.sqrt(square / count)


@kernel
def clip_esd(samples, state, limits, scratch, order):
    """``esd``: the generalised test of Rosner (1983) for up to a third of the samples."""
    total = _kept(samples, state, scratch)
    most = total // 3
    outliers = 0
    tested = 0
    for step in range(1, most + 1):
        worst, distance, mean, width = _farthest(samples, state)
        if width == 0.0:
            break
        order[step] = worst
        state[worst] = HIGH if samples[worst] > mean else LOW
        tested = step
        if distance / width > limits[total, step]:
            outliers = step
    for step in range(outliers + 1, tested + 1):
        state[order[step]] = KEPT


@kernel
def _farthest(samples, state):
    """Place and distance of the kept sample that is farthest from their mean, mean and spread."""
    count = 0
    mean = 0.0
    for i in range(samples.size):
        if state[i] == KEPT:
            mean += samples[i]
            count += 1
    mean /= count
    square = 0.0
    worst = -1
    distance = -1.0
    for i in range(samples.size):
        if state[i] == KEPT:
            deviation = abs(samples[i] - mean)
            square += deviation * deviation
            if deviation > distance:
                distance = deviation
                worst = i
    width = np.sqrt(square / (count - 1)) if count > 1 else 0.0
    return worst, distance, mean, width
