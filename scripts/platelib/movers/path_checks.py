"""Whether a path of a high sum is a mover: of the same flux in the whole series, and moving."""

import math

import numpy as np

from platelib.movers.path_sums import PathSum, statistic

_HALF_SHARE = 0.7
_BEYOND_REST, _SHARE_BEYOND_REST = 36.0, 0.2
_FLUX_SCATTER = 0.3
_OUTLIER = 4.0
_MOST_OUTLIERS = 0.2


def steady_subs(path: PathSum) -> np.ndarray:
    """Return which subs ``(n,)`` are within 4 sigma of the median flux, and 30 % of it."""
    seen = path.weight > 0
    return seen & (np.abs(_pulls(path)) <= _OUTLIER)


def _pulls(path: PathSum) -> np.ndarray:
    """Return how far the flux of each sub is from the median flux, sigma; 0 without data."""
    seen = path.weight > 0
    root = np.sqrt(np.where(seen, path.weight, 1))
    flux = float(np.median(path.signal[seen] / path.weight[seen])) if seen.any() else 0.0
    usual = flux * root
    pulls = (path.signal / root - usual) / np.hypot(1, _FLUX_SCATTER * usual)
    return np.where(seen, pulls, 0.0)


def is_steady(path: PathSum) -> bool:
    """Return whether a path has the same flux, within errors and 30 %, in the whole series.

    One sub in five may be an outlier at most; the others scatter by chi square within 4 sigma; and
    each half of the series shows them with 0.7 of the signal-to-noise that is its share.
    """
    kept, seen = steady_subs(path), path.weight > 0
    number = int(kept.sum())
    if number < (1 - _MOST_OUTLIERS) * int(seen.sum()):
        return False
    if float((_pulls(path)[kept] ** 2).sum()) > number + _OUTLIER * math.sqrt(2 * number):
        return False
    signal, weight = path.signal[kept], path.weight[kept]
    whole, total = float(weight.sum()), statistic(signal, weight)
    half = int(np.searchsorted(np.cumsum(weight), whole / 2)) + 1
    return all(
        statistic(signal[part], weight[part])
        >= _HALF_SHARE * total * math.sqrt(float(weight[part].sum()) / whole)
        for part in (slice(0, half), slice(half, None))
    )


def is_moving(path: PathSum) -> bool:
    """Return whether a path exceeds by 6 sigma, and by a fifth, whatever is at rest on it.

    Squares of statistics are compared. A mover of the lowest rate exceeds a place at rest by a
    quarter; the residue of a bright star jitters and exceeds it by less.
    """
    square = path.statistic**2
    return square - max(path.rest, 0.0) ** 2 >= max(_BEYOND_REST, _SHARE_BEYOND_REST * square)
