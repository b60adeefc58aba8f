"""Places that light up in many subs: what a difference leaves of stars, and no movers."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from platelib.movers.detections import Detections

REACH_PX = 2.0
"""Detections of other subs within this distance are at the same place."""

_FLOOR_PX = 0.1
_FEWEST = 3
_MOVING = 30.0
_GOOD_FIT = 3.0


@dataclass(frozen=True)
class _Neighbours:
    """Pairs of detections at one place, each detection with itself too."""

    of: np.ndarray
    other: np.ndarray
    count: int

    def sums(self, values: np.ndarray) -> np.ndarray:
        """Return the sums of a value over the neighbours of each detection."""
        return np.bincount(self.of, weights=values[self.other], minlength=self.count)


def at_rest(
    detections: Detections, minutes: np.ndarray, reach_px: float = REACH_PX
) -> tuple[np.ndarray, int]:
    """Find detections at places that light up in three or more subs and do not move.

    Parameters
    ----------
    detections : Detections
    minutes : numpy.ndarray
        ``(m,)`` float64: times of the subs.
    reach_px : float, optional

    Returns
    -------
    resting : numpy.ndarray
        ``(n,)`` bool. The detections around each one are fitted with a constant rate. They move if
        the rate differs from 0 by 5.5 sigma and the fit is good: chi square 3 for each degree of
        freedom at most, with 0.1 px added to the errors. A slow mover passes this test; the
        residue of a star scatters and does not.
    places : int
        Places that light up in three or more subs, moving or not.
    """
    if len(detections) == 0:
        return np.zeros(0, dtype=bool), 0
    near = _neighbours(detections, reach_px)
    subs = _different_subs(near, detections.sub)
    t = minutes[detections.sub]
    w = 1 / (detections.sigma_px**2 + _FLOOR_PX**2)
    total = near.sums(w)
    # Sums are formed about the detection itself, without loss of digits.
    s_t, s_tt = _moments(near, w, t)
    variance = np.maximum(s_tt - s_t**2 / total, 0)
    rate2, chi2 = np.zeros(near.count), np.zeros(near.count)
    for place in (detections.x, detections.y):
        s_x, s_xx = _moments(near, w, place)
        s_tx = np.bincount(
            near.of,
            weights=w[near.other]
            * (t[near.other] - t[near.of])
            * (place[near.other] - place[near.of]),
            minlength=near.count,
        )
        covariance = s_tx - s_t * s_x / total
        gain = np.divide(covariance**2, variance, out=np.zeros(near.count), where=variance > 1e-9)
        rate2 += gain
        chi2 += np.maximum(s_xx - s_x**2 / total - gain, 0)
    degrees = 2 * (np.bincount(near.of, minlength=near.count) - 2)
    moving = (rate2 > _MOVING) & (chi2 <= _GOOD_FIT * np.maximum(degrees, 1))
    lit = subs >= _FEWEST
    # Each place counts once: its detections have about as many neighbours as it has detections.
    places = math.ceil(float((1 / np.bincount(near.of, minlength=near.count))[lit].sum()))
    return np.asarray(lit & ~moving), places


def _neighbours(detections: Detections, reach_px: float) -> _Neighbours:
    places = np.column_stack([detections.x, detections.y])
    pairs = cKDTree(places).query_pairs(reach_px, output_type="ndarray")
    pairs = pairs[np.lexsort(pairs.T[::-1])]
    own = np.arange(len(places))
    return _Neighbours(
        np.concatenate([own, pairs[:, 0], pairs[:, 1]]),
        np.concatenate([own, pairs[:, 1], pairs[:, 0]]),
        len(places),
    )


def _different_subs(near: _Neighbours, sub: np.ndarray) -> np.ndarray:
    """Return in how many subs the place of each detection lights up."""
    keys = np.unique(near.of * (int(sub.max()) + 1) + sub[near.other])
    return np.bincount(keys // (int(sub.max()) + 1), minlength=near.count)


def _moments(near: _Neighbours, w: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    away = value[near.other] - value[near.of]
    weighted = w[near.other] * away
    first = np.bincount(near.of, weights=weighted, minlength=near.count)
    return first, np.bincount(near.of, weights=weighted * away, minlength=near.count)
