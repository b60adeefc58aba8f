"""Comparison stars of each star: near to it in place, brightness and colour."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from platelib.light_curves.ensemble import Ensemble
from platelib.light_curves.flux_series import FluxSeries

COMPARISONS = 40
_MOST_SCATTER = 0.1
_PLACE, _MAGNITUDE, _COLOUR = 0.25, 1.0, 0.5
"""A distance of 1: quarter of the field, one magnitude, half a magnitude of colour."""


@dataclass(frozen=True, eq=False)
class Comparisons:
    """Comparison stars of each star.

    Attributes
    ----------
    stars : numpy.ndarray
        ``(n_stars, k)`` int64: their numbers, nearest first; a star is never its own comparison.
    closeness : numpy.ndarray
        ``(n_stars, k)``: weight by likeness, 1 for a twin, ``1 / (1 + d^2)`` at a distance d.
    """

    stars: np.ndarray
    closeness: np.ndarray


def choose_comparisons(
    series: FluxSeries, ensemble: Ensemble, count: int = COMPARISONS
) -> Comparisons:
    """Choose the stable stars that are most like each star.

    Parameters
    ----------
    series : FluxSeries
    ensemble : Ensemble
        Stars with weight in it are stable.
    count : int
        Comparison stars of each star, if there are so many.

    Returns
    -------
    Comparisons
    """
    stable = np.flatnonzero((ensemble.weight > 0).any(axis=0))
    features = _features(series)
    count = min(count, len(stable) - 1)
    distance, found = cKDTree(features[stable]).query(features, k=count + 1)
    numbers = stable[found]
    own = numbers == np.arange(len(numbers))[:, None]
    own[~own.any(axis=1), -1] = True  # not a comparison itself: leave out the farthest
    keep = ~own
    numbers, distance = numbers[keep].reshape(-1, count), distance[keep].reshape(-1, count)
    return Comparisons(numbers, 1.0 / (1.0 + distance**2))


def check_stars(ensemble: Ensemble, comparisons: Comparisons) -> np.ndarray:
    """Return the check star of each star: the most like that scatters no more than its peers.

    Parameters
    ----------
    ensemble : Ensemble
    comparisons : Comparisons

    Returns
    -------
    numpy.ndarray
        ``(n_stars,)`` int64: the one of the ten nearest comparison stars with the least scatter.
    """
    near = comparisons.stars[:, :10]
    scatter = np.nan_to_num(ensemble.scatter[near], nan=np.inf)
    return near[np.arange(len(near)), scatter.argmin(axis=1)]


def local_curves(ensemble: Ensemble, comparisons: Comparisons) -> tuple[np.ndarray, np.ndarray]:
    """Correct light curves by the mean deviation of each star's comparison stars.

    Parameters
    ----------
    ensemble : Ensemble
    comparisons : Comparisons

    Returns
    -------
    relative, error : numpy.ndarray
        ``(n_subs, n_stars)``: flux over the star's mean, and the error that the comparison adds.
        The star's own share in the zero point cancels, since its comparison stars have the same.
        Stars that scatter by 10 % keep their curves.
    """
    # A row a star: what is gathered lies together.
    weights = np.ascontiguousarray(ensemble.weight.T)
    pulls = weights * np.nan_to_num(ensemble.plain.T - 1.0)
    spread = np.nan_to_num(ensemble.noise.T) ** 2 + np.nan_to_num(ensemble.scatter)[:, None] ** 2
    spread *= weights**2
    relative, error = ensemble.relative.copy(), ensemble.zero_error.copy()
    for star in np.flatnonzero(ensemble.scatter < _MOST_SCATTER).tolist():
        stars, close = comparisons.stars[star], comparisons.closeness[star][:, None]
        total = (weights[stars] * close).sum(axis=0)
        known = total > 0
        total = np.where(known, total, 1.0)
        value = (pulls[stars] * close).sum(axis=0) / total
        variance = (spread[stars] * close**2).sum(axis=0)
        relative[:, star] = np.where(known, ensemble.plain[:, star] - value, np.nan)
        error[:, star] = np.where(known, np.sqrt(variance) / total, np.nan)
    return relative, error


def _features(series: FluxSeries) -> np.ndarray:
    """Return places, magnitudes and colours in units of likeness, ``(n_stars, 4)``."""
    size = max(float(np.ptp(series.place, axis=0).max()), 1e-9)
    known = np.isfinite(series.colour)
    middle = float(np.median(series.colour[known])) if known.any() else 0.0
    colour = np.where(known, series.colour, middle)
    faint = np.nanmax(series.magnitude) if np.isfinite(series.magnitude).any() else 0.0
    magnitude = np.where(np.isfinite(series.magnitude), series.magnitude, faint)
    parts = (series.place / (_PLACE * size), magnitude / _MAGNITUDE, colour / _COLOUR)
    return np.column_stack(parts)
