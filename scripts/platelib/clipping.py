"""Rejection of outliers along a stack of registered images, and the weighted mean of the rest.

The work is done in three passes over a block of the stack: :func:`reject` flags samples pixel by
pixel, :func:`grow` extends the flags to the neighbours of what was struck, :func:`average` forms
the weighted mean with its variance. Samples of a pixel are always summed in the order of the
stack, so the result does not depend on how the image was cut into blocks.

Methods
-------
``noise``
    A sample is rejected when it differs from the median by more than ``low`` or ``high`` times
    the noise that the detector model expects of it. It works from three samples on, because the
    spread is not estimated from the few samples themselves.
``sigma``
    Iterated about the median with the standard deviation of the samples.
``mad``
    The same with 1.4826 times the median absolute deviation.
``esd``
    Generalised extreme studentised deviate, Rosner (1983), Technometrics 25, 165, for up to a
    third of the samples: with more, the test of few samples strikes far more often than alpha.
``none``
    Nothing is rejected.
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student_t

from platelib.kernels import kernel

METHODS = ("none", "noise", "sigma", "mad", "esd")
KEPT, INVALID, LOW, HIGH = 0, 1, 2, 3
MAD_TO_SIGMA = 1.482602218505602
_EXCESS = 1.2


@dataclass(frozen=True)
class Rejection:
    """How outliers are found.

    Attributes
    ----------
    method : str
        One of ``METHODS``.
    low, high : float
        Limits below and above the centre, in units of the spread.
    max_iterations : int
        Rounds of rejection at most.
    tolerance : float
        ``noise`` only: the fraction of a pixel's signal above the sky by which seeing and
        guiding may change it, added to its expected noise in quadrature.
    esd_alpha : float
        ``esd`` only: significance level of the test.
    floor : float
        ``sigma`` and ``mad`` only: the spread is taken to be at least this, since a few samples
        that lie close together by chance make innocent ones look like outliers.
    """

    method: str = "noise"
    low: float = 4.0
    high: float = 4.0
    max_iterations: int = 5
    tolerance: float = 0.12
    esd_alpha: float = 0.01
    floor: float = 0.0


def reject(
    values: np.ndarray,
    variances: np.ndarray,
    noise: np.ndarray,
    sky: float,
    rejection: Rejection,
) -> np.ndarray:
    """Flag the outliers of every pixel.

    Parameters
    ----------
    values : numpy.ndarray
        ``(n, ny, nx)`` float32, registered and brought to one scale; NaN = no data.
    variances : numpy.ndarray
        ``(n, ny, nx)`` float32, expected variances of ``values``; read by ``noise`` only.
    noise : numpy.ndarray
        ``(n,)`` float64, noise of the sky of each image, in the unit of ``values``.
    sky : float
        The common sky level of ``values``.
    rejection : Rejection
        Method and limits.

    Returns
    -------
    numpy.ndarray
        ``(n, ny, nx)`` uint8: 0 kept, 1 no data, 2 rejected as low, 3 rejected as high.

    Raises
    ------
    ValueError
        If the method is unknown.
    """
    if rejection.method not in METHODS:
        msg = f"unknown rejection method {rejection.method!r}; choose from {', '.join(METHODS)}"
        raise ValueError(msg)
    flags = np.empty(values.shape, dtype=np.uint8)
    limits = esd_limits(len(values), rejection.esd_alpha) if rejection.method == "esd" else _UNUSED
    _reject(
        values,
        variances,
        np.asarray(noise, dtype=np.float64),
        float(sky),
        METHODS.index(rejection.method),
        float(rejection.low),
        float(rejection.high),
        int(rejection.max_iterations),
        float(rejection.tolerance),
        float(rejection.floor),
        limits,
        flags,
    )
    return flags


_UNUSED = np.zeros((1, 1))


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
    limits = np.full((n + 1, n // 3 + 1), np.inf)
    m, i = np.indices(limits.shape)
    tested = (i >= 1) & (i <= m // 3) & (m - i >= 2)
    m, i = m[tested], i[tested]
    quantile = student_t.ppf(1 - alpha / (2 * (m - i + 1)), m - i - 1)
    limits[tested] = quantile * (m - i) / np.sqrt((m - i - 1 + quantile**2) * (m - i + 1))
    return limits


@kernel
def _median(buffer, count):
    """Median of the first ``count`` values, which are sorted in place."""
    for i in range(1, count):
        value = buffer[i]
        j = i - 1
        while j >= 0 and buffer[j] > value:
            buffer[j + 1] = buffer[j]
            j -= 1
        buffer[j + 1] = value
    return 0.5 * (buffer[(count - 1) // 2] + buffer[count // 2])


@kernel
def _reject(
    values,
    variances,
    noise,
    sky,
    method,
    low,
    high,
    max_iterations,
    tolerance,
    floor,
    limits,
    flags,
):
    n, ny, nx = values.shape
    samples = np.empty(n)
    spread = np.empty(n)
    scratch = np.empty(n)
    state = np.empty(n, dtype=np.uint8)
    for y in range(ny):
        for x in range(nx):
            for i in range(n):
                samples[i] = values[i, y, x]
                state[i] = INVALID if np.isnan(values[i, y, x]) else KEPT
            if method == 1:
                _expected_noise(variances, noise, y, x, state, spread, scratch)
                _clip_expected(
                    samples, state, spread, sky, low, high, max_iterations, tolerance, scratch
                )
            elif method == 2 or method == 3:
                _clip_spread(samples, state, method == 3, low, high, max_iterations, floor, scratch)
            elif method == 4:
                _clip_esd(samples, state, limits, scratch)
            for i in range(n):
                flags[i, y, x] = state[i]


@kernel
def _kept(samples, state, buffer):
    """Copy the kept samples to the buffer; return how many there are."""
    count = 0
    for i in range(samples.size):
        if state[i] == KEPT:
            buffer[count] = samples[i]
            count += 1
    return count


@kernel
def _expected_noise(variances, noise, y, x, state, spread, scratch):
    """Expected variance of each sample, not inflated by what struck it.

    A cosmic ray raises the photon noise that the model expects of its own pixel; the median
    over the stack, scaled by the noise of the sky, bounds it. The bound leaves room for a sub
    that resampling happened to smooth less than the others.
    """
    count = 0
    for i in range(noise.size):
        if state[i] == KEPT:
            scratch[count] = variances[i, y, x] / (noise[i] * noise[i])
            count += 1
    typical = _median(scratch, count) if count else 0.0
    for i in range(noise.size):
        bound = _EXCESS * typical * noise[i] * noise[i]
        spread[i] = min(float(variances[i, y, x]), bound)


@kernel
def _clip_expected(samples, state, spread, sky, low, high, max_iterations, tolerance, scratch):
    for _ in range(max_iterations):
        count = _kept(samples, state, scratch)
        if count < 3:
            return
        centre = _median(scratch, count)
        slack = tolerance * max(centre - sky, 0.0)
        changed = False
        for i in range(samples.size):
            if state[i] != KEPT:
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
def _clip_spread(samples, state, use_mad, low, high, max_iterations, floor, scratch):
    for _ in range(max_iterations):
        count = _kept(samples, state, scratch)
        if count < 3:
            return
        centre = _median(scratch, count)
        if use_mad:
            for i in range(count):
                scratch[i] = abs(scratch[i] - centre)
            width = MAD_TO_SIGMA * _median(scratch, count)
        else:
            mean = 0.0
            for i in range(count):
                mean += scratch[i]
            mean /= count
            square = 0.0
            for i in range(count):
                square += (scratch[i] - mean) ** 2
            width = np.sqrt(square / count)
        width = max(width, floor)
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
def _clip_esd(samples, state, limits, scratch):
    total = _kept(samples, state, scratch)
    most = total // 3
    order = np.empty(most + 1, dtype=np.int64)
    above = np.zeros(most + 1, dtype=np.bool_)
    outliers = 0
    tested = 0
    for step in range(1, most + 1):
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
        if width == 0.0:
            break
        order[step] = worst
        above[step] = samples[worst] > mean
        state[worst] = HIGH if above[step] else LOW
        tested = step
        if distance / width > limits[total, step]:
            outliers = step
    for step in range(outliers + 1, tested + 1):
        state[order[step]] = KEPT


@kernel
def _grow(values, variances, flags, reach, threshold, centre, grown):
    n, ny, nx = values.shape
    for i in range(n):
        for y in range(ny):
            for x in range(nx):
                grown[i, y, x] = flags[i, y, x]
        for y in range(ny):
            for x in range(nx):
                if flags[i, y, x] != HIGH and flags[i, y, x] != LOW:
                    continue
                struck = 0
                for v in range(max(0, y - 1), min(ny, y + 2)):
                    for u in range(max(0, x - 1), min(nx, x + 2)):
                        if flags[i, v, u] == flags[i, y, x]:
                            struck += 1
                if struck < 2:
                    continue
                sign = 1.0 if flags[i, y, x] == HIGH else -1.0
                for v in range(max(0, y - reach), min(ny, y + reach + 1)):
                    for u in range(max(0, x - reach), min(nx, x + reach + 1)):
                        if flags[i, v, u] != KEPT or (v - y) ** 2 + (u - x) ** 2 > reach * reach:
                            continue
                        excess = sign * (values[i, v, u] - centre[v, u])
                        if excess > threshold * np.sqrt(variances[i, v, u]):
                            grown[i, v, u] = flags[i, y, x]


def grow(
    values: np.ndarray,
    variances: np.ndarray,
    flags: np.ndarray,
    reach: int,
    threshold: float = 1.0,
) -> np.ndarray:
    """Extend rejections to the faint skirts of trails and cosmic rays.

    A rejected sample with at least one rejected neighbour of the same sign takes along the
    samples within ``reach`` pixels that lie on the same side of the mean of the kept ones by
    more than ``threshold`` of their noise. A pixel of block edges within ``reach`` needs its
    neighbours: blocks overlap by ``reach + 1``.

    Parameters
    ----------
    values, variances : numpy.ndarray
        ``(n, ny, nx)`` float32.
    flags : numpy.ndarray
        ``(n, ny, nx)`` uint8 from :func:`reject`.
    reach : int
        Pixels; 0 returns the flags unchanged.
    threshold : float
        In units of the noise.

    Returns
    -------
    numpy.ndarray
        ``(n, ny, nx)`` uint8.
    """
    if reach <= 0:
        return flags
    grown = np.empty_like(flags)
    centre = average(values, variances, np.ones(len(values)), flags).mean
    _grow(values, variances, flags, int(reach), float(threshold), centre, grown)
    return grown


@dataclass(frozen=True)
class Average:
    """A weighted mean along the stack.

    Attributes
    ----------
    mean, variance : numpy.ndarray
        ``(ny, nx)`` float32; NaN where nothing was kept.
    count, low, high : numpy.ndarray
        ``(ny, nx)`` int16: samples kept, rejected as low, rejected as high.
    """

    mean: np.ndarray
    variance: np.ndarray
    count: np.ndarray
    low: np.ndarray
    high: np.ndarray


def average(
    values: np.ndarray, variances: np.ndarray, weights: np.ndarray, flags: np.ndarray
) -> Average:
    """Weighted mean of the kept samples, with its propagated variance.

    Parameters
    ----------
    values, variances : numpy.ndarray
        ``(n, ny, nx)`` float32.
    weights : numpy.ndarray
        ``(n,)``, positive.
    flags : numpy.ndarray
        ``(n, ny, nx)`` uint8; only samples flagged 0 take part.

    Returns
    -------
    Average
        ``mean = sum(w x) / sum(w)`` and ``variance = sum(w^2 v) / sum(w)^2``.
    """
    shape = values.shape[1:]
    result = Average(
        *(np.empty(shape, dtype=np.float32) for _ in range(2)),
        *(np.empty(shape, dtype=np.int16) for _ in range(3)),
    )
    _average(
        values,
        variances,
        np.asarray(weights, dtype=np.float64),
        flags,
        result.mean,
        result.variance,
        result.count,
        result.low,
        result.high,
    )
    return result


@kernel
def _average(values, variances, weights, flags, mean, variance, count, low, high):
    n, ny, nx = values.shape
    for y in range(ny):
        for x in range(nx):
            total = 0.0
            spread = 0.0
            weight = 0.0
            kept = 0
            below = 0
            above = 0
            for i in range(n):
                flag = flags[i, y, x]
                if flag == KEPT:
                    total += weights[i] * values[i, y, x]
                    spread += weights[i] * weights[i] * variances[i, y, x]
                    weight += weights[i]
                    kept += 1
                elif flag == LOW:
                    below += 1
                elif flag == HIGH:
                    above += 1
            mean[y, x] = total / weight if kept else np.nan
            variance[y, x] = spread / (weight * weight) if kept else np.nan
            count[y, x] = kept
            low[y, x] = below
            high[y, x] = above


def warm_up() -> None:
    """Compile the kernels of this module."""
    values = np.ones((3, 2, 2), dtype=np.float32)
    flags = reject(values, values, np.ones(3), 0.0, Rejection("esd"))
    average(values, values, np.ones(3), grow(values, values, flags, 1))
