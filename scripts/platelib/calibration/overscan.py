"""The bias level of each row of a frame, from its overscan.

The mean of a row's overscan follows the level of that row, and has the read noise over the root of
the number of its pixels. Subtracted as it is, this noise becomes a stripe in every frame. A smooth
curve has none of it, and leaves whatever jumps from row to row. Which of the two is better depends
on the camera, and can be measured: the means scatter more than their noise as far as the level
itself moves.
"""

import numpy as np

_REACH_ROWS = 16
_FEWEST_PIXELS = 4
_STEPS_AN_ADU = 1024
_CUT_SHARE = 4
"""One pixel in so many is cut off at each end, since trails of saturated stars reach there."""


def overscan_levels(strip: np.ndarray) -> np.ndarray:
    """Return the bias level of each row by the local Wiener filter of its overscan.

    The mean of 33 rows around a row, and of the row's own deviation from it that share which is not
    noise: ``1 - noise / variance``, both of the means of rows, at least 0 (Lee 1980, IEEE PAMI 2,
    165, equation 12).

    Parameters
    ----------
    strip : numpy.ndarray
        ``(ny, n)``, ADU: the overscan pixels of each row; NaN = no data.

    Returns
    -------
    numpy.ndarray
        ``(ny,)`` float64, ADU, in steps of 1/1024.

    Raises
    ------
    ValueError
        If a row has no pixel, or no pixel has a value.
    """
    if strip.size == 0 or not np.isfinite(strip).any():
        msg = "the overscan has no pixel with a value"
        raise ValueError(msg)
    means = _filled(_trimmed_means(strip))
    centre = np.median(means)
    deviations = means - centre
    local = _running_mean(deviations)
    variance = np.maximum(_running_mean(deviations**2) - local**2, 0.0)
    noise = _variance_of_means(strip)
    signal = np.maximum(variance - noise, 0.0) if np.isfinite(noise) else np.zeros_like(variance)
    share = np.divide(signal, variance, out=np.zeros_like(signal), where=variance > 0)
    levels = centre + local + share * (deviations - local)
    return np.round(levels * _STEPS_AN_ADU) / _STEPS_AN_ADU


def _trimmed_means(strip: np.ndarray) -> np.ndarray:
    """Return the mean of each row without the lowest and the highest quarter; NaN without data."""
    ordered = np.sort(strip.astype(np.float64), axis=1)
    number = np.isfinite(ordered).sum(axis=1)
    cut = number // _CUT_SHARE
    place = np.arange(strip.shape[1])
    kept = (place >= cut[:, None]) & (place < (number - cut)[:, None])
    sums = np.where(kept, ordered, 0.0).sum(axis=1)
    return np.divide(sums, kept.sum(axis=1), out=np.full(len(sums), np.nan), where=number > 0)


def _filled(means: np.ndarray) -> np.ndarray:
    known = np.isfinite(means)
    rows = np.arange(len(means))
    return means if known.all() else np.interp(rows, rows[known], means[known])


def _variance_of_means(strip: np.ndarray) -> float:
    """Return the noise variance of the mean of a row; infinity if unknown.

    Means of even and of odd pixels of a row share its level and not its noise.
    """
    if strip.shape[1] < _FEWEST_PIXELS:
        return np.inf
    difference = _trimmed_means(strip[:, ::2]) - _trimmed_means(strip[:, 1::2])
    difference = difference[np.isfinite(difference)]
    if not len(difference):
        return np.inf
    return float(np.mean((difference - np.median(difference)) ** 2)) / 4


def _running_mean(values: np.ndarray) -> np.ndarray:
    """Return the mean of the rows around each, fewer at the ends."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    rows = np.arange(len(values))
    first = np.maximum(rows - _REACH_ROWS, 0)
    last = np.minimum(rows + _REACH_ROWS + 1, len(values))
    return (sums[last] - sums[first]) / (last - first)
