"""The scale of a broadband channel that removes the stars of a narrowband channel."""

import math
from dataclasses import dataclass

import numpy as np

from platelib.numerics.medians import mad_sigma

_TUKEY = 4.685
_TUKEY_EFFICIENCY = 0.95
_ROUNDS, _HALVINGS = 60, 24
_WIDEST_SCATTER = 2.0
_STILL = 1e-12
FEWEST_STARS = 5


@dataclass(frozen=True)
class Scale:
    """Light of the mean star in the narrow band over that in the broad band.

    Attributes
    ----------
    value, error : float
    scatter : float
        How much the stars differ from each other by more than their errors let expect, relative
        to `value`: that is their colour.
    stars : int
        Stars that count.
    """

    value: float
    error: float
    scatter: float
    stars: int


def fit_scale(
    narrow: np.ndarray, narrow_error: np.ndarray, broad: np.ndarray, broad_error: np.ndarray
) -> Scale:
    """Fit a line through zero to the fluxes of stars, with errors in both.

    Parameters
    ----------
    narrow, narrow_error, broad, broad_error : numpy.ndarray
        ``(n,)`` float64, at least 5 stars; errors above 0.

    Returns
    -------
    Scale
        Value rounded to a hundredth of its error.

    Raises
    ------
    ValueError
        With fewer than 5 stars, or if they show no light in common.

    Notes
    -----
    York et al. (2004), American Journal of Physics 72, 367, for a line without intercept. Stars
    with lines of their own and chance neighbours are held down by Tukey's biweight; the scatter is
    what it takes for the residuals to be as large as they are.
    """
    if len(narrow) < FEWEST_STARS:
        msg = f"{len(narrow)} stars are too few to fit a scale, {FEWEST_STARS} are needed"
        raise ValueError(msg)
    start = float(np.median(narrow / broad))
    if not start > 0:
        msg = "stars show no light in common"
        raise ValueError(msg)
    fit = _line(narrow, narrow_error, broad, broad_error, start, 0.0)
    scatter = 0.0
    if fit[1] > 1 + 1 / math.sqrt(len(narrow)):  # more than chance makes it
        low, scatter = 0.0, _WIDEST_SCATTER
        for _ in range(_HALVINGS):
            middle = (low + scatter) / 2
            fit = _line(narrow, narrow_error, broad, broad_error, start, middle)
            low, scatter = (middle, scatter) if fit[1] > 1 else (low, middle)
        fit = _line(narrow, narrow_error, broad, broad_error, start, scatter)
    value, _, weights, error = fit
    count = int(np.count_nonzero(weights))
    return Scale(_rounded(value, error), float(f"{error:.4g}"), float(f"{scatter:.4g}"), count)


def _line(
    narrow: np.ndarray,
    narrow_error: np.ndarray,
    broad: np.ndarray,
    broad_error: np.ndarray,
    start: float,
    scatter: float,
) -> tuple[float, float, np.ndarray, float]:
    """Slope for a given scatter, the spread of the residuals over their errors, and its error."""
    slope = start
    for _ in range(_ROUNDS):
        along = broad_error**2
        across = narrow_error**2 + (scatter * slope * broad) ** 2
        weight = 1 / (across + slope**2 * along)
        pulls = (narrow - slope * broad) * np.sqrt(weight)
        spread = mad_sigma(pulls, 0.0)
        part = pulls / (_TUKEY * max(spread, 1e-6))
        kept = np.where(np.abs(part) < 1, (1 - part**2) ** 2, 0.0)
        beta = weight * (broad * across + slope * narrow * along)
        before = slope
        slope = float((kept * weight * beta * narrow).sum() / (kept * weight * beta * broad).sum())
        if abs(slope - before) <= _STILL * abs(slope):
            break
    error = float(np.sqrt(1 / ((kept * weight * beta**2).sum() * _TUKEY_EFFICIENCY)))
    return slope, spread, kept, error


def _rounded(value: float, error: float) -> float:
    if not error > 0:
        return value
    return round(value, 2 - int(f"{error:e}".partition("e")[2]))
