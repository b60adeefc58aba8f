"""Stars of like brightness: classes, and statistics among neighbours in brightness."""

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

_NEIGHBOURS = 101
_CLASS_MAG, _CLASS_STARS = 0.5, 25


def brightness_classes(
    magnitude: np.ndarray, width_mag: float = _CLASS_MAG, fewest: int = _CLASS_STARS
) -> np.ndarray:
    """Sort stars into classes of brightness.

    Parameters
    ----------
    magnitude : numpy.ndarray
        ``(n,)`` float64; NaN stands for the faintest.
    width_mag : float
        Least range of magnitudes in a class.
    fewest : int
        Least number of stars in a class.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` int64: number of the class, 0 the brightest. The faintest class is joined with its
        neighbour if it is too small.
    """
    order = np.argsort(magnitude, kind="stable")
    numbers = np.zeros(len(order), dtype=np.int64)
    start, number = 0, 0
    for k, value in enumerate(magnitude[order].tolist()):
        if k - start >= fewest and value - magnitude[order[start]] >= width_mag:
            start, number = k, number + 1
        numbers[order[k]] = number
    if number and len(order) - start < fewest:
        numbers[numbers == number] = number - 1
    return numbers


def neighbour_quantiles(
    statistic: np.ndarray,
    magnitude: np.ndarray,
    quantiles: Sequence[float],
    use: np.ndarray | None = None,
    neighbours: int = _NEIGHBOURS,
) -> np.ndarray:
    """Return quantiles of a statistic among the stars nearest in brightness.

    Parameters
    ----------
    statistic : numpy.ndarray
        ``(n,)`` float64, NaN = none.
    magnitude : numpy.ndarray
        ``(n,)`` float64.
    quantiles : sequence of float
    use : numpy.ndarray, optional
        ``(n,)`` bool: stars that may serve as peers. All get quantiles.
    neighbours : int
        Number of peers.

    Returns
    -------
    numpy.ndarray
        ``(len(quantiles), n)``; NaN without any peer.
    """
    good = np.isfinite(statistic) & (True if use is None else use)
    count = int(good.sum())
    if not count:
        return np.full((len(quantiles), len(statistic)), np.nan)
    order = np.flatnonzero(good)[np.argsort(magnitude[good], kind="stable")]
    width = min(neighbours, count)
    windows = np.sort(sliding_window_view(statistic[order], width), axis=1)
    at = np.searchsorted(magnitude[order], magnitude)  # NaN after all
    start = np.clip(at - width // 2, 0, len(windows) - 1)
    places = np.asarray(quantiles) * (width - 1)
    low = np.floor(places).astype(int)
    share = (places - low)[:, None]
    high = np.minimum(low + 1, width - 1)
    return (1 - share) * windows[start][:, low].T + share * windows[start][:, high].T
