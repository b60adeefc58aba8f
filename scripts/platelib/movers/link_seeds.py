"""Pairs of detections that could be one mover, and whether a third one lies where they lead."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from platelib.movers.detections import Detections

GATE = 4.5
"""Sigma within which a detection belongs to a motion."""

_MOST_PAIRS = 400_000
_LARGEST_REACH_PX = 120.0
_SMALLEST_REACH_PX = 8.0
_NEXT = 3
_NEAR_SUBS = 6
_FLOOR_PX = 0.1


@dataclass(frozen=True)
class Night:
    """Detections of a night sorted by sub, with a tree of places for each sub.

    Attributes
    ----------
    detections : Detections
    minutes : numpy.ndarray
        ``(m,)`` float64: times of the subs.
    channel : numpy.ndarray
        ``(m,)`` int64.
    first : numpy.ndarray
        ``(m + 1,)`` int64: where the detections of each sub begin.
    trees : list
        For each sub its tree, or None without detections.
    """

    detections: Detections
    minutes: np.ndarray
    channel: np.ndarray
    first: np.ndarray
    trees: list[cKDTree | None]

    def nearest(self, sub: int, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return distances and numbers of the nearest detections of a sub; infinite if none."""
        tree = self.trees[sub]
        if tree is None:
            return np.full(len(places), np.inf), np.zeros(len(places), dtype=np.int64)
        distance, number = tree.query(places)
        return distance, number + self.first[sub]


def night_of(detections: Detections, minutes: np.ndarray, channel: np.ndarray) -> Night:
    """Return the detections, which must be sorted by sub, with trees of their places."""
    first = np.searchsorted(detections.sub, np.arange(len(minutes) + 1))
    places = np.column_stack([detections.x, detections.y])
    trees = [
        cKDTree(places[a:b]) if b > a else None for a, b in zip(first[:-1], first[1:], strict=True)
    ]
    return Night(detections, minutes, channel, first, trees)


def seeds(night: Night, rates: tuple[float, float], area_px: float) -> np.ndarray:
    """Return pairs of detections whose motion a third detection supports, most support first.

    Parameters
    ----------
    night : Night
    rates : tuple of float
        Lowest and highest rate, px/min.
    area_px : float
        Area of the field, px^2.

    Returns
    -------
    numpy.ndarray
        ``(n, 2)`` int64. Fast motions are paired over the next three subs, of all channels or of
        the same one; slow ones over any time in which they move less than 8 px to 120 px, the
        less the more detections there are. A mover that most subs show has many such pairs.
    """
    pairs = _pairs(night, rates, area_px)
    support = _support(night, pairs)
    some = support > 0
    order = np.argsort(-support[some], kind="stable")
    return np.asarray(pairs[some][order])


def _pairs(night: Night, rates: tuple[float, float], area_px: float) -> np.ndarray:
    detections, minutes = night.detections, night.minutes
    n = len(detections)
    reach = np.sqrt(2 * _MOST_PAIRS * area_px / (np.pi * max(n, 1) ** 2))
    reach = min(max(float(reach), _SMALLEST_REACH_PX), _LARGEST_REACH_PX)
    order = np.argsort(minutes, kind="stable")
    found = [np.zeros((0, 2), dtype=np.int64)]
    for rank, one in enumerate(order.tolist()):
        later = order[rank + 1 :]
        same = later[night.channel[later] == night.channel[one]]
        near = {*later[:_NEXT].tolist(), *same[:_NEXT].tolist()}
        for other in later.tolist():
            step = minutes[other] - minutes[one]
            if step > 0:
                longest = rates[1] * step if other in near else min(reach, rates[1] * step)
                found.append(_pairs_of(night, one, other, longest))
    pairs = np.concatenate(found)
    moved = np.hypot(*(c[pairs[:, 1]] - c[pairs[:, 0]] for c in (detections.x, detections.y)))
    # What is slower than the lowest rate by more than the errors is at rest.
    errors = np.hypot(*detections.sigma_px[pairs.T]) if len(pairs) else moved
    step = np.abs(minutes[detections.sub[pairs[:, 1]]] - minutes[detections.sub[pairs[:, 0]]])
    return np.asarray(pairs[moved + 3 * errors >= rates[0] * step])


def _pairs_of(night: Night, one: int, other: int, reach: float) -> np.ndarray:
    tree, second = night.trees[one], night.trees[other]
    if tree is None or second is None:
        return np.zeros((0, 2), dtype=np.int64)
    lists = tree.query_ball_tree(second, reach)
    i = np.repeat(np.arange(len(lists)), [len(found) for found in lists])
    j = np.array([k for found in lists for k in sorted(found)], dtype=np.int64)
    return np.column_stack([i + night.first[one], j + night.first[other]])


def _support(night: Night, pairs: np.ndarray) -> np.ndarray:
    """Count the subs near in time that show a detection where a pair leads."""
    detections, minutes = night.detections, night.minutes
    support = np.zeros(len(pairs), dtype=np.int64)
    keys = detections.sub[pairs] @ np.array([len(minutes), 1])
    for key in np.unique(keys).tolist():
        of = np.flatnonzero(keys == key)
        one, other = divmod(key, len(minutes))
        for sub in _subs_near(night, one, other):
            share = (minutes[sub] - minutes[one]) / (minutes[other] - minutes[one])
            support[of] += _is_supported(night, pairs[of], sub, share)
    return support


def _subs_near(night: Night, one: int, other: int) -> list[int]:
    """Return the subs nearest in time to a pair of subs, of all channels and of theirs."""
    minutes = night.minutes
    away = np.maximum(
        min(minutes[one], minutes[other]) - minutes, minutes - max(minutes[one], minutes[other])
    )
    middle = np.abs(minutes - (minutes[one] + minutes[other]) / 2)
    order = np.lexsort((middle, np.maximum(away, 0)))
    order = order[(order != one) & (order != other)]
    own = np.isin(night.channel[order], night.channel[[one, other]])
    return sorted({*order[:_NEAR_SUBS].tolist(), *order[own][:_NEAR_SUBS].tolist()})


def _is_supported(night: Night, pairs: np.ndarray, sub: int, share: float) -> np.ndarray:
    detections = night.detections
    i, j = pairs.T
    places = np.column_stack([c[i] + share * (c[j] - c[i]) for c in (detections.x, detections.y)])
    variance = ((1 - share) * detections.sigma_px[i]) ** 2 + (share * detections.sigma_px[j]) ** 2
    distance, number = night.nearest(sub, places)
    own = detections.sigma_px[np.minimum(number, len(detections) - 1)] ** 2
    return distance**2 <= GATE**2 * (variance + own + _FLOOR_PX**2)
