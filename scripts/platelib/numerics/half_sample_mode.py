"""The mode of a sample: of few values by half samples, of many by their density."""

import numpy as np

from platelib.numerics.medians import mad_sigma

_BINS_A_SIGMA, _REACH_SIGMA = 50, 4
_WIDTH_SIGMA = 0.35
_ROUNDS = 3


def half_sample_mode(values: np.ndarray) -> float:
    """Return the value about which values crowd most, however long a tail is.

    Halves the sample again and again, to the half that is packed most closely.

    Parameters
    ----------
    values : numpy.ndarray
        At least one value, finite, in any order.

    Returns
    -------
    float

    References
    ----------
    Robertson & Cryer (1974), Journal of the American Statistical Association 69, 1012.
    """
    values = np.sort(values)
    while values.size > 3:
        half = (values.size + 1) // 2
        spans = values[half - 1 :] - values[: values.size - half + 1]
        start = int(np.argmin(spans))
        values = values[start : start + half]
    return float(np.median(values))


def density_peak(values: np.ndarray) -> float:
    """Return the value at which the smoothed density of many values peaks.

    The density is that of a histogram, smoothed by a Gaussian of 0.35 times the spread of the
    values below the peak. For 250,000 normal values it peaks within 0.01 standard deviations of
    their mean; the half-sample mode is a few times less certain.

    Parameters
    ----------
    values : numpy.ndarray
        ``(n,)``, at least one value, finite, in any order.

    Returns
    -------
    float

    References
    ----------
    Parzen (1962), Annals of Mathematical Statistics 33, 1065.
    """
    peak = float(np.median(values))
    for _ in range(_ROUNDS):
        sigma = mad_sigma(values[values <= peak], peak)
        if not sigma > 0:
            break
        bins = 2 * _REACH_SIGMA * _BINS_A_SIGMA
        low, high = peak - _REACH_SIGMA * sigma, peak + _REACH_SIGMA * sigma
        counts, edges = np.histogram(values, bins, (low, high))
        width = _WIDTH_SIGMA * _BINS_A_SIGMA
        steps = np.arange(-int(4 * width), int(4 * width) + 1)
        density = np.convolve(counts, np.exp(-0.5 * (steps / width) ** 2), "same")
        highest = int(np.argmax(density))
        peak = float(edges[highest] + edges[highest + 1]) / 2
    return peak
