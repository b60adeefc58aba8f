"""Significance of a match of two star lists."""

import numpy as np

from platelib.astrometry.asterism_search import log_false_alarm
from platelib.numerics.neighbours import close_pairs

LOG_THRESHOLD = -9.0
"""A match that chance brings about more often than once in so many subs is none (log10)."""

_LEAST_REACH_PX = 1.0
_AROUND_PX = 60.0


def log_chance(
    places: np.ndarray, raw_xy: np.ndarray, agreed: int, rms_px: float, terms: int, trials: int
) -> float:
    """Return the decimal logarithm of the probability that unrelated stars agree as well.

    Each star of the shorter list has a partner by chance with the probability that follows from
    the density of the longer one. The density is measured around the stars themselves, so that
    clumps of detections count as what they are.

    Parameters
    ----------
    places : numpy.ndarray
        ``(2, n)`` float64: where the transform puts the stars of the grid in the raw frame.
    raw_xy : numpy.ndarray
        ``(m, 2)`` float64: the stars of the sub.
    agreed : int
        Stars that are matched.
    rms_px : float
        Root mean square of the distances of matched stars, pixels.
    terms : int
        Coefficients of the transform along each axis: so many stars agree whatever they are.
    trials : int
        Transforms that were considered.

    Returns
    -------
    float
        At most 0, see :func:`platelib.astrometry.asterism_search.log_false_alarm`.
    """
    low, high = raw_xy.min(axis=0), raw_xy.max(axis=0)
    reach = max(4 * rms_px, _LEAST_REACH_PX)
    beyond = np.maximum(low - places.T, places.T - high)
    inside = (beyond <= reach).all(axis=1)
    ours = int(inside.sum())
    if not ours:
        return 0.0
    around = max(_AROUND_PX, 4 * reach)
    i, j = close_pairs(places.T[inside], raw_xy, around)
    distance = np.hypot(*(places.T[inside][i] - raw_xy[j]).T)
    unrelated = np.count_nonzero(distance > reach) + 1
    by_chance = float(unrelated * reach**2 / (around**2 - reach**2))
    # Where the surroundings are empty, the frame as a whole tells the density.
    area = max(float(np.prod(high - low)), np.pi * around**2)
    by_chance = max(by_chance, float(ours * len(raw_xy) * np.pi * reach**2 / area))
    shorter = min(ours, len(raw_xy))
    return log_false_alarm(trials, shorter, min(agreed, shorter), terms, by_chance / shorter)
