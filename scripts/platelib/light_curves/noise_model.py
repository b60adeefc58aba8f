"""Honest errors: what constant stars scatter more than photons explain."""

from dataclasses import dataclass

import numpy as np

from platelib.light_curves.robust_columns import column_medians, column_scatter

_ROUNDS, _HALVINGS = 3, 14
_CLIP, _CONSTANT = 5.0, 4.0
_FEWEST_POINTS = 5


@dataclass(frozen=True, eq=False)
class NoiseModel:
    """Errors that make constant stars of every brightness scatter as they say.

    Attributes
    ----------
    error : numpy.ndarray
        ``(n_subs, n_stars)``: relative error of each measurement.
    floor : numpy.ndarray
        ``(n_classes,)``: what is added in quadrature, relative: residue of flat field, drift and
        apertures.
    scale : numpy.ndarray
        ``(n_classes,)``: factor on the known noise, below 1 where that is stated too high.
    sub_factor : numpy.ndarray
        ``(n_subs,)``: factor on the errors of a sub whose stars scatter more than elsewhere.
    """

    error: np.ndarray
    floor: np.ndarray
    scale: np.ndarray
    sub_factor: np.ndarray


def fit_noise(deviation: np.ndarray, known: np.ndarray, classes: np.ndarray) -> NoiseModel:
    """Fit floor, scale and factors of subs to the scatter of the stars themselves.

    Parameters
    ----------
    deviation : numpy.ndarray
        ``(n_subs, n_stars)``: relative flux less 1, NaN = none.
    known : numpy.ndarray
        ``(n_subs, n_stars)``: relative error by photons, read noise, scintillation, zero point.
    classes : numpy.ndarray
        ``(n_stars,)`` int: class of brightness.

    Returns
    -------
    NoiseModel
        The median reduced chi square of each class is that of constant stars (median of the chi
        square distribution). Stars above the bulk of their class have no say.
    """
    n_classes = int(classes.max()) + 1
    floor, scale = np.zeros(n_classes), np.ones(n_classes)
    factor = np.ones(len(deviation))
    good = np.isfinite(deviation) & np.isfinite(known)
    error = known
    for _ in range(_ROUNDS):
        constant = _constant(deviation / error, classes)
        for number in range(n_classes):
            stars = np.flatnonzero((classes == number) & constant)
            if len(stars):
                part = known[:, stars] * factor[:, None]
                clipped = good[:, stars] & _near(deviation[:, stars])
                values = np.where(clipped, deviation[:, stars], np.nan)
                floor[number], scale[number] = _floor(values, part, factor)
        error = np.hypot(known * scale[classes], floor[classes]) * factor[:, None]
        factor = factor * _sub_factor((deviation / error)[:, constant])
        error = np.hypot(known * scale[classes], floor[classes]) * factor[:, None]
    return NoiseModel(error, floor, scale, factor)


def reduced_chi_square(deviation: np.ndarray, error: np.ndarray) -> np.ndarray:
    """Return chi square about the weighted mean over the degrees of freedom, by star.

    Parameters
    ----------
    deviation, error : numpy.ndarray
        ``(n_subs, n_stars)``, NaN = none.

    Returns
    -------
    numpy.ndarray
        ``(n_stars,)``; NaN with fewer than 2 measurements.
    """
    known = np.isfinite(deviation) & np.isfinite(error)
    weight = np.where(known, 1.0 / np.where(known, error, 1.0) ** 2, 0.0)
    count = known.sum(axis=0)
    values = np.where(known, deviation, 0.0)
    pull = weight * values
    with np.errstate(invalid="ignore", divide="ignore"):
        square = pull.sum(axis=0) ** 2 / weight.sum(axis=0)
        chi = ((pull * values).sum(axis=0) - square) / (count - 1)
    return np.where(count > 1, chi, np.nan)


def median_chi_square(freedom: np.ndarray) -> np.ndarray:
    """Return the median of the reduced chi square of constant stars.

    Wilson & Hilferty (1931), PNAS 17, 684: ``(1 - 2 / (9 f))^3``.
    """
    return (1.0 - 2.0 / (9.0 * np.maximum(freedom, 1))) ** 3


def _constant(deviation: np.ndarray, classes: np.ndarray) -> np.ndarray:
    """Return which stars scatter like the bulk of their class."""
    scatter = np.log(np.maximum(column_scatter(deviation), 1e-9))
    count = np.isfinite(deviation).sum(axis=0)
    constant = count >= _FEWEST_POINTS
    for number in np.unique(classes).tolist():
        stars = np.flatnonzero((classes == number) & constant)
        if len(stars) > 3:
            low, middle = np.quantile(scatter[stars], (0.25, 0.5))
            chance = 1.17 / np.sqrt(2.0 * np.median(count[stars]))  # error of the MAD
            width = max((middle - low) / 0.6745, chance)
            constant[stars] = scatter[stars] < middle + _CONSTANT * width
    return constant


def _near(deviation: np.ndarray) -> np.ndarray:
    """Return which values are no outliers of their star."""
    middle = column_medians(deviation)
    return np.abs(deviation - middle) < _CLIP * np.maximum(column_scatter(deviation), 1e-12)


def _floor(values: np.ndarray, known: np.ndarray, factor: np.ndarray) -> tuple[float, float]:
    """Return floor and scale of a class."""
    expected = median_chi_square(np.isfinite(values).sum(axis=0) - 1)

    def excess(floor: float, scale: float = 1.0) -> float:
        error = np.hypot(known * scale, floor * factor[:, None])
        return float(np.nanmedian(reduced_chi_square(values, error) / expected)) - 1.0

    at_rest = excess(0.0)
    if at_rest <= 0:
        return 0.0, max(float(np.sqrt(1.0 + at_rest)), 0.1)
    low, high = 0.0, 2.0 * float(np.nanmax(column_scatter(values)))
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return 0.5 * (low + high), 1.0


def _sub_factor(deviation: np.ndarray) -> np.ndarray:
    """Return how much more stars scatter in each sub than they say, 1 unless significant."""
    count = np.isfinite(deviation).sum(axis=1)
    scatter = column_scatter(deviation.T)
    chance = 1.0 + 3.0 * 1.17 / np.sqrt(2.0 * np.maximum(count, 1))  # error of the MAD
    return np.where(np.nan_to_num(scatter, nan=1.0) > chance, scatter, 1.0)
