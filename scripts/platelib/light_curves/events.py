"""Flares and dips: a few consecutive measurements on one side of the star's mean."""

from dataclasses import dataclass

import numpy as np

from platelib.light_curves.robust_columns import column_medians, column_scatter

_WIDTHS = (3, 4, 6, 8, 12, 16, 24, 32, 48)
_OUTLIER, _COMPANION = 5.0, 2.5


@dataclass(frozen=True, eq=False)
class Events:
    """The most significant event of one sign of each star.

    Attributes
    ----------
    strength : numpy.ndarray
        ``(n_stars,)``: sum of the deviations in sigma without the largest of them, over the root of
        their number; 0 without three measurements in a row.
    first, last : numpy.ndarray
        ``(n_stars,)`` int: subs in which the event begins and ends.
    size, error : numpy.ndarray
        ``(n_stars,)``: weighted mean deviation in between, with its sign, and its error.
    """

    strength: np.ndarray
    first: np.ndarray
    last: np.ndarray
    size: np.ndarray
    error: np.ndarray


def find_events(deviation: np.ndarray, error: np.ndarray, night: np.ndarray, sign: int) -> Events:
    """Find the most significant run of measurements on one side, within a night.

    The largest deviation of a run does not count, so that no single outlier makes an event.

    Parameters
    ----------
    deviation, error : numpy.ndarray
        ``(n_subs, n_stars)``: relative flux less 1, NaN = none; its error.
    night : numpy.ndarray
        ``(n_subs,)`` int.
    sign : int
        1 for flares, -1 for dips.

    Returns
    -------
    Events
        Runs have 3 to 48 subs, and half of a night at most.
    """
    n_subs, n_stars = deviation.shape
    known = np.isfinite(deviation) & np.isfinite(error)
    u = np.where(known, sign * deviation / np.where(known, error, 1.0), 0.0)
    largest = np.where(known, u, -np.inf)
    largest = np.maximum(largest[:-1], largest[1:])
    sums = np.concatenate([np.zeros((1, n_stars)), np.cumsum(u, axis=0)])
    counts = np.concatenate([np.zeros((1, n_stars)), np.cumsum(known, axis=0)])
    best, first = np.zeros(n_stars), np.zeros(n_stars, dtype=np.int64)
    last = first.copy()
    longest = max(int(np.bincount(night).max()) // 2, 3)
    reach = 2
    for width in (w for w in _WIDTHS if w <= min(longest, n_subs)):
        # From maxima of `reach` subs to those of `width`, which is at most twice as many.
        shift = width - reach
        largest = np.maximum(largest[: n_subs - width + 1], largest[shift:][: n_subs - width + 1])
        reach = width
        inside = night[: n_subs - width + 1] == night[width - 1 :]
        count = counts[width:] - counts[:-width]
        usable = inside[:, None] & (count >= 3)
        rest = sums[width:] - sums[:-width] - np.where(usable, largest, 0.0)
        strength = np.where(usable, rest / np.sqrt(np.maximum(count - 1, 1)), 0.0)
        start = strength.argmax(axis=0)
        value = strength[start, np.arange(n_stars)]
        better = value > best
        best[better], first[better] = value[better], start[better]
        last[better] = start[better] + width - 1
    size, size_error = _sizes(deviation, error, first, last)
    return Events(best, first, last, size, size_error)


def isolated_outliers(deviation: np.ndarray, night: np.ndarray) -> np.ndarray:
    """Return which measurements stand alone: cosmic rays, satellites, bad pixels.

    Parameters
    ----------
    deviation : numpy.ndarray
        ``(n_subs, n_stars)``, in sigma about the star's mean; NaN = none.
    night : numpy.ndarray
        ``(n_subs,)`` int.

    Returns
    -------
    numpy.ndarray
        ``(n_subs, n_stars)`` bool: more than 5 sigma, and more than 5 times the star's own scatter,
        off, while neither neighbour in the same night is off to the same side by half of that.
    """
    middle = column_medians(deviation)
    scatter = np.maximum(np.nan_to_num(column_scatter(deviation), nan=1.0), 1.0)
    off = np.nan_to_num((deviation - middle) / scatter)
    together = (np.diff(night) == 0)[:, None]
    alone = np.abs(off) > _OUTLIER
    pair = np.where(together, np.sign(off[1:]) * np.sign(off[:-1]), 0.0) > 0
    alone[1:] &= ~(pair & (np.abs(off[:-1]) > _COMPANION))
    alone[:-1] &= ~(pair & (np.abs(off[1:]) > _COMPANION))
    return alone


def _sizes(
    deviation: np.ndarray, error: np.ndarray, first: np.ndarray, last: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the weighted mean deviation of each star's event, and its error."""
    known = np.isfinite(deviation) & np.isfinite(error)
    weight = np.where(known, 1.0 / np.where(known, error, 1.0) ** 2, 0.0)
    numbers = np.arange(len(deviation))[:, None]
    weight = np.where((numbers >= first) & (numbers <= last), weight, 0.0)
    total = weight.sum(axis=0)
    value = (weight * np.where(known, deviation, 0.0)).sum(axis=0) / np.maximum(total, 1e-300)
    return value, 1.0 / np.sqrt(np.maximum(total, 1e-300))
