"""Choose the degree of a two-dimensional polynomial: raise it while residuals really fall."""

from collections.abc import Callable
from typing import NamedTuple, TypeVar

Fit = TypeVar("Fit")

STARS_A_TERM = 4
"""Places that a fit needs for each of its coefficients."""
_FALL = 0.95
_LEAST_RMS = 1e-4
_LEAST_F = 4.0
"""Beyond chance for any number of places that is let in."""


class Residuals(NamedTuple):
    """Places that carry a fit, coefficients of either coordinate, and rms of the residuals."""

    places: int
    terms: int
    rms: float


def count_terms(degree: int) -> int:
    """Count the coefficients of a polynomial in two coordinates."""
    return (degree + 1) * (degree + 2) // 2


def fit_rising(
    fit: Callable[[int, Fit | None], Fit | None],
    residuals: Callable[[Fit], Residuals],
    max_degree: int,
    kept: float,
) -> Fit | None:
    """Fit polynomials of rising degree and return the highest one that pays.

    Parameters
    ----------
    fit : callable
        Given a degree and the best fit so far, None for degree 1, returns a fit; None where there
        are too few places, which ends the search.
    residuals : callable
        Tells the residuals of a fit.
    max_degree : int
    kept : float
        Share of the places of the lower degree that a higher one must keep.
    """
    best: Fit | None = None
    for degree in range(1, max_degree + 1):
        better = fit(degree, best)
        if better is None:
            break
        # A lens is odd about its axis: the cubic may be needed where the quadratic is not.
        if best is None or pays(residuals(better), residuals(best), kept):
            best = better
    return best


def pays(higher: Residuals, lower: Residuals, kept: float) -> bool:
    """Return whether a higher degree lowers the residuals by more than chance.

    The second is an F test of the added coefficients.

    Parameters
    ----------
    higher, lower : Residuals
    kept : float
        As for `fit_rising`: residuals fall wherever the worst places are left out.
    """
    if higher.places < STARS_A_TERM * higher.terms or higher.places < kept * lower.places:
        return False
    if higher.rms > _FALL * lower.rms:
        return False
    added = higher.terms - lower.terms
    fall = max(lower.rms, _LEAST_RMS) ** 2 / max(higher.rms, _LEAST_RMS) ** 2 - 1
    return fall * (higher.places - higher.terms) / added > _LEAST_F
