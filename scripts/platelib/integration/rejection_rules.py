"""The exact rules of rejection for the samples of one pixel, in double precision.

They decide. What :mod:`platelib.integration.rejection_prefilter` can prove to be free of outliers
never comes here; all other pixels do.
"""

from typing import NamedTuple

import numpy as np

from platelib.numerics.constants import MAD_TO_SIGMA
from platelib.numerics.kernels import kernel
from platelib.numerics.order_statistics import median, sort

KEPT, INVALID, LOW, HIGH = 0, 1, 2, 3
METHODS = ("none", "noise", "sigma", "mad", "esd")
NONE, NOISE, SIGMA, MAD, ESD = range(len(METHODS))
"""Methods, as kernels take them."""
EXCESS = 1.2


class Rule(NamedTuple):
    """A rejection method in the form for kernels."""

    method: int
    low: float
    high: float
    max_iterations: int
    sky: float
    tolerance: float


class Tables(NamedTuple):
    """Tables for a number of samples: critical values and sorting networks."""

    limits: np.ndarray
    network: np.ndarray
    valley: np.ndarray


@kernel
def gather(values, y, x, samples, state):
    """Copy the samples of a pixel and mark those without data."""
    for i in range(samples.size):
        samples[i] = values[i, y, x]
        state[i] = INVALID if np.isnan(values[i, y, x]) else KEPT


@kernel
def _kept(samples, state, buffer):
    """Copy the kept samples to the buffer; return their number."""
    count = 0
    for i in range(samples.size):
        buffer[count] = samples[i]
        if state[i] == KEPT:
            count += 1
    return count


@kernel
def expected_noise(variances, noise, y, x, state, spread, scratch):
    """Expected variance of each sample, not inflated by what rejected it.

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
    """``noise``: reject samples beyond a multiple of their expected noise from the median."""
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
            changed |= _strike(samples, state, i, centre - low * width, centre + high * width)
        if not changed:
            return


@kernel
def _strike(samples, state, i, least, most):
    """Mark a sample outside the limits; return whether it is."""
    if samples[i] < least:
        state[i] = LOW
    elif samples[i] > most:
        state[i] = HIGH
    return state[i] != KEPT


@kernel
def clip_pair(samples, state, spread, high):
    """Reject the brighter of two samples if noise does not explain the difference.

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
def clip_spread(samples, state, use_mad, low, high, max_iterations, scratch):
    """``sigma`` and ``mad``: reject samples beyond a multiple of the spread from the median."""
    for _ in range(max_iterations):
        count = _kept(samples, state, scratch)
        if count < 3:
            return
        centre, width = _centre_and_spread(samples, state, use_mad, scratch, count)
        changed = False
        for i in range(samples.size):
            if state[i] == KEPT:
                changed |= _strike(samples, state, i, centre - low * width, centre + high * width)
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


def esd_limits(n: int, alpha: float) -> np.ndarray:
    """Critical values of the generalised ESD test.

    Parameters
    ----------
    n : int
        The largest number of samples.
    alpha : float
        Significance level.

    Returns
    -------
    numpy.ndarray
        ``(n + 1, n // 3 + 1)`` float64; ``[m, i]`` is lambda_i (i from 1) of ``m`` samples,
        Rosner (1983), eq. 2.5.
    """
    from scipy.special import stdtrit  # slow to import, and only needed here

    limits = np.full((n + 1, n // 3 + 1), np.inf)
    m, i = np.indices(limits.shape)
    tested = (i >= 1) & (i <= m // 3) & (m - i >= 2)
    m, i = m[tested], i[tested]
    quantile = stdtrit(m - i - 1, 1 - alpha / (2 * (m - i + 1)))
    limits[tested] = quantile * (m - i) / np.sqrt((m - i - 1 + quantile**2) * (m - i + 1))
    return limits


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
    """Return index and distance of the kept sample farthest from the mean; mean and spread."""
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


@kernel
def decide(variances, noise, y, x, rule, tables, samples, state, spread, scratch, order):
    """Flag the outliers of a pixel by the method of the rule."""
    low, high, rounds = rule.low, rule.high, rule.max_iterations
    if rule.method == NOISE:
        expected_noise(variances, noise, y, x, state, spread, scratch)
        clip_expected(samples, state, spread, rule.sky, low, high, rounds, rule.tolerance, scratch)
    elif rule.method == ESD:
        clip_esd(samples, state, tables.limits, scratch, order)
    else:
        use_mad = rule.method == MAD
        clip_spread(samples, state, use_mad, low, high, rounds, scratch)
