"""Fit a transform to the common stars of two lists.

Stars are paired with their nearest neighbours and fitted by weighted least squares, solved in a
fixed order; nothing is random.

Nothing here but numpy: to import a tree of points or to load a compiled kernel takes longer than
to match the subs of a night.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from platelib.astrometry.triangles import REACH_PX
from platelib.numerics.medians import median_of
from platelib.numerics.neighbours import close_pairs
from platelib.numerics.polynomial_degree import Residuals, count_terms, fit_rising
from platelib.numerics.transform import Transform, basis, least_squares, normalisation, polynomial

_SLACK_PX = 6.0
_KEPT = 0.99
_ROUND_DIGITS = 7


@dataclass(frozen=True)
class Match:
    """A transform with the stars that carry it.

    Attributes
    ----------
    transform : Transform
    grid_index, raw_index : numpy.ndarray
        ``(n,)`` int64: which stars of the two lists are the same.
    rms_px : float
        Root mean square of the distances of matched stars, raw pixels.
    """

    transform: Transform
    grid_index: np.ndarray
    raw_index: np.ndarray
    rms_px: float


def _residuals(match: Match) -> Residuals:
    """Return the residuals that decide on the degree of a match."""
    return Residuals(len(match.grid_index), len(match.transform.x), match.rms_px)


@dataclass(frozen=True)
class FittedStars:
    """Stars of the grid that transforms are fitted to."""

    xy: np.ndarray
    weights: np.ndarray
    shape: tuple[int, int]
    max_degree: int

    @cached_property
    def _terms(self) -> np.ndarray:
        """Powers of the normalised positions, up to the highest degree."""
        centre_x, centre_y, scale = normalisation(self.shape)
        u, v = (self.xy - [centre_x, centre_y]).T / scale
        return basis(u, v, self.max_degree)

    def refined(self, place: np.ndarray, raw_xy: np.ndarray) -> Match | None:
        """Fit polynomials to mutual neighbours, of rising degree while the residuals fall.

        Parameters
        ----------
        place : numpy.ndarray
            ``(2, n)``: where the stars are expected in the raw frame, to a few pixels.
        raw_xy : numpy.ndarray
            ``(m, 2)``: where the stars of the sub are.
        """
        neighbours, target = _Neighbours(raw_xy), raw_xy.T

        def fit(degree: int, best: Match | None) -> Match | None:
            if best is None:
                return self._fit_degree(degree, place, neighbours, target, REACH_PX)
            reach = max(4 * best.rms_px, 0.7)
            return self._fit_degree(degree, self.places(best.transform), neighbours, target, reach)

        return fit_rising(fit, _residuals, self.max_degree, _KEPT)

    def places(self, transform: Transform) -> np.ndarray:
        """Return the raw positions of the stars, ``(2, n)``."""
        terms = self._terms[: len(transform.x)]
        return polynomial(terms, np.stack([transform.x, transform.y]))

    def _fit_degree(
        self,
        degree: int,
        place: np.ndarray,
        neighbours: "_Neighbours",
        target: np.ndarray,
        reach: float,
    ) -> Match | None:
        """Fit one degree from nearby positions until the pairing of stars is stable."""
        unknowns = count_terms(degree)
        match: Match | None = None
        limit = 0.0
        for _ in range(6):
            i, j, distance = neighbours.mutual(place, reach)
            if match is not None and np.array_equal(i[distance < limit], match.grid_index):
                break
            if len(i) < max(unknowns, 3):
                return match
            terms, goal = np.take(self._terms[:unknowns], i, axis=1), target[:, j]
            coefficients, used, limit = _robust_fit(terms, goal, self.weights[i])
            if used.sum() < unknowns:
                return match
            coefficients = np.round(coefficients, _ROUND_DIGITS)
            miss = np.hypot(*(polynomial(terms, coefficients) - goal))[used]
            rms = float(np.sqrt(np.mean(miss**2)))
            transform = Transform(degree, *normalisation(self.shape), *coefficients)
            match = Match(transform, i[used], j[used], round(rms, 5))
            place = self.places(transform)
            reach = min(max(5 * rms, 0.7), reach)
        return match


class _Neighbours:
    """The stars of a sub near positions that change slightly between fits."""

    def __init__(self, raw_xy: np.ndarray):
        self._raw_xy = raw_xy
        self._place: np.ndarray | None = None
        self._radius = 0.0

    def mutual(self, place: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Pair positions, ``(2, n)``, with their mutually nearest stars.

        Returns the numbers of the places, in order, those of the stars, and their distances.
        """
        self._look_around(place, reach)
        distance = np.hypot(*(place[:, self._i] - self._raw_xy[self._j].T))
        near = np.flatnonzero(distance < reach)
        near = near[np.argsort(distance[near], kind="stable")]
        of_place = _is_first(self._i[near], place.shape[1])
        of_star = _is_first(self._j[near], len(self._raw_xy))
        mutual = np.sort(near[of_place & of_star])  # pairs are in the order of places
        return self._i[mutual], self._j[mutual], distance[mutual]

    def _look_around(self, place: np.ndarray, reach: float) -> None:
        """Search for stars again if those found about other positions may be incomplete."""
        if self._place is not None:
            moved = float(np.hypot(*(place - self._place)).max())
            if moved + reach <= self._radius:
                return
        self._place, self._radius = place, reach + _SLACK_PX
        self._i, self._j = close_pairs(place.T, self._raw_xy, self._radius)


def _is_first(numbers: np.ndarray, count: int) -> np.ndarray:
    """Return whether each number below ``count`` is its first occurrence."""
    first = np.empty(count, dtype=np.int64)
    first[numbers[::-1]] = np.arange(len(numbers))[::-1]
    return first[numbers] == np.arange(len(numbers))


def _robust_fit(
    terms: np.ndarray, target: np.ndarray, weights: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    """Weighted least squares with outliers beyond 4 sigma left out, repeated until it settles.

    Returns the coefficients, what was used for them, and the residual beyond which nothing was.
    """
    used = np.ones(terms.shape[1], dtype=bool)
    coefficients, limit = np.zeros((2, len(terms))), 0.0
    for _ in range(8):
        coefficients = least_squares(terms, target, np.where(used, weights, 0.0))
        residual = np.hypot(*(polynomial(terms, coefficients) - target))
        limit = 4 * max(1.2 * median_of(residual[used]), 1e-3)
        keep = residual < limit
        if np.array_equal(keep, used) or keep.sum() < len(terms):
            break
        used = keep
    return coefficients, used, limit
