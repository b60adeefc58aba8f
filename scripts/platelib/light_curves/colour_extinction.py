"""Extinction that depends on colour: red stars lose less light in a thick atmosphere."""

from dataclasses import dataclass

import numpy as np

from platelib.light_curves.robust_columns import biweights
from platelib.numerics.medians import mad_sigma

_LEAST_AIRMASS_RANGE, _LEAST_COLOUR_RANGE, _FEWEST_STARS, _FEWEST_SUBS = 0.1, 0.3, 12, 5
_SIGNIFICANT, _CUT, _ROUNDS = 3.0, 4.685, 8


@dataclass(frozen=True, eq=False)
class ColourExtinction:
    """Extinction by colour, night by night.

    Attributes
    ----------
    slope : numpy.ndarray
        ``(n_nights,)``: relative flux a unit of airmass and magnitude of colour: the mean of all
        nights, which is a property of the passband, or that of the night where the two differ by
        3 sigma; 0 if the mean is not significant (3 sigma).
    error : numpy.ndarray
        ``(n_nights,)``; NaN where it could not be told.
    """

    slope: np.ndarray
    error: np.ndarray

    def at(self, airmass: np.ndarray, night: np.ndarray, colour: np.ndarray) -> np.ndarray:
        """Return the term, ``(n_subs, n_stars)``; 0 for unknown airmass or colour."""
        within = np.nan_to_num(_within_nights(airmass, night))
        known = np.isfinite(colour)
        middle = np.median(colour[known]) if known.any() else 0.0
        return (self.slope[night] * within)[:, None] * np.nan_to_num(colour - middle)


def fit_colour_extinction(
    deviation: np.ndarray,
    weight: np.ndarray,
    airmass: np.ndarray,
    night: np.ndarray,
    colour: np.ndarray,
) -> ColourExtinction:
    """Fit how stars of different colour change with airmass, in each night.

    Parameters
    ----------
    deviation, weight : numpy.ndarray
        ``(n_subs, n_stars)`` of comparison stars: relative to mean and zero point; weights.
    airmass, night : numpy.ndarray
        ``(n_subs,)``.
    colour : numpy.ndarray
        ``(n_stars,)``, NaN where unknown.

    Returns
    -------
    ColourExtinction
        Each star's own slope against airmass is regressed on colour. The error is that of the
        scatter between stars, so that noise that is correlated in time is in it.
    """
    nights = int(night[-1]) + 1
    slope, error = np.zeros(nights), np.full(nights, np.nan)
    within = _within_nights(airmass, night)
    values = np.nan_to_num(deviation)
    for number in range(nights):
        subs = np.flatnonzero((night == number) & np.isfinite(airmass))
        if len(subs) < _FEWEST_SUBS or np.ptp(airmass[subs]) < _LEAST_AIRMASS_RANGE:
            continue
        x = np.where(weight[subs] > 0, within[subs, None], 0.0)
        total = (weight[subs] * x * x).sum(axis=0)
        stars = np.flatnonzero(np.isfinite(colour) & (total > 0))
        if len(stars) < _FEWEST_STARS or np.ptp(colour[stars]) < _LEAST_COLOUR_RANGE:
            continue
        slopes = (weight[subs] * x * values[subs]).sum(axis=0)[stars] / total[stars]
        slope[number], error[number] = _robust_slope(colour[stars], slopes, total[stars])
    return ColourExtinction(_settled(slope, error), error)


def _settled(slope: np.ndarray, error: np.ndarray) -> np.ndarray:
    """Return the slopes to use: the mean of the nights, if significant, but for nights apart."""
    told = np.isfinite(error)
    if not told.any():
        return np.zeros(len(slope))
    weight = np.where(told, 1.0 / np.where(told, np.maximum(error, 1e-9), 1.0) ** 2, 0.0)
    mean = float((weight * slope).sum() / weight.sum())
    if abs(mean) < _SIGNIFICANT / np.sqrt(weight.sum()):
        mean = 0.0
    apart = told & (np.abs(slope - mean) > _SIGNIFICANT * np.nan_to_num(error))
    return np.where(apart, slope, mean)


def _within_nights(airmass: np.ndarray, night: np.ndarray) -> np.ndarray:
    """Return airmass less the mean of its night."""
    known = np.isfinite(airmass)
    count = np.bincount(night[known], minlength=int(night[-1]) + 1)
    total = np.bincount(night[known], weights=airmass[known], minlength=int(night[-1]) + 1)
    return airmass - (total / np.maximum(count, 1))[night]


def _robust_slope(x: np.ndarray, y: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    """Return the slope of a line and its error, by Tukey's biweight."""
    robust = np.ones(len(x))
    value, error = 0.0, float("inf")
    for _ in range(_ROUNDS):
        w = weight * robust
        centre_x, centre_y = (w * x).sum() / w.sum(), (w * y).sum() / w.sum()
        square = (w * (x - centre_x) ** 2).sum()
        value = (w * (x - centre_x) * (y - centre_y)).sum() / square
        residual = (y - centre_y - value * (x - centre_x)) * np.sqrt(weight)
        width = max(mad_sigma(residual, 0.0), 1e-12)
        error = width / np.sqrt(square)
        robust = biweights(residual / width, _CUT)
    return float(value), float(error)
