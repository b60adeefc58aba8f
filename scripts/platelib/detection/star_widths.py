"""The FWHM of a sub's stars, separated from other detections.

All point sources of a sub have one width, within some percent. Galaxies, knots of nebulae and bumps
of noise on them are wider, each in another way; particle tracks are sharper. So the stars are the
sharpest narrow peak in the distribution of widths, whatever their share of all detections.
"""

import numpy as np

GROUP = 0.25
"""Half the range of ln FWHM that counts as one width."""

_HALVES = (0.06, 0.12, 0.2)
_FEWEST = 5
_LEAST_EXCESS, _LEAST_SIGMA = 5.0, 4.0
_LEAST_SHARE = 0.4


def star_group(fwhm: np.ndarray) -> np.ndarray:
    """Return which detections have the width of stars.

    The density of ln FWHM in windows of 0.12 to 0.4 is compared with that on both sides of them.
    The sharpest window that stands out, by 4 sigma and by 0.4 of what stands out most, holds stars.

    Parameters
    ----------
    fwhm : numpy.ndarray
        ``(n,)`` float64, pixels, positive.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` bool: within 25 % of the centre of the peak; all where nothing stands out.
    """
    everything = np.ones(len(fwhm), dtype=bool)
    if len(fwhm) < _FEWEST:
        return everything
    width = np.sort(np.log(fwhm))
    for half in _HALVES:
        centre = _sharpest_peak(width, half)
        if centre is not None:
            return np.abs(np.log(fwhm) - centre) <= GROUP
    return everything


def _sharpest_peak(width: np.ndarray, half: float) -> float | None:
    """Return the sharpest peak of sorted values in windows of ``2 * half``; None without any."""
    inner = _count(width, width, half)
    beside = (_count(width, width, 3 * half) - inner) / 2
    excess = inner - beside
    sigma = np.where(excess >= _LEAST_EXCESS, excess / np.sqrt(beside + 1), 0.0)
    stands_out = sigma >= max(_LEAST_SIGMA, _LEAST_SHARE * float(sigma.max()))
    if not stands_out.any():
        return None
    first = int(np.argmax(stands_out))
    near = np.flatnonzero(np.abs(width - width[first]) <= 2 * half)
    best = near[np.argmax(excess[near])]
    return float(np.median(width[np.abs(width - width[best]) <= half]))


def _count(width: np.ndarray, at: np.ndarray, reach: float) -> np.ndarray:
    """Count the sorted values within reach of each position."""
    return np.searchsorted(width, at + reach, "right") - np.searchsorted(width, at - reach, "left")
