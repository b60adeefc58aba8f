"""Fits of a transform to the stars that two lists have in common.

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
from platelib.numerics.transform import Transform, basis, least_squares, normalisation, polynomial

_SLACK_PX = 6.0
_FALL, _KEPT = 0.95, 0.99
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
        neighbours = _Neighbours(raw_xy)
        match: Match | None = None
        for degree in range(1, self.max_degree + 1):
            reach = REACH_PX if match is None else max(4 * match.rms_px, 0.7)
            better = self._fit_degree(degree, place, neighbours, raw_xy.T, reach)
            if better is None:
                break
            # A lens is odd about its axis: the cubic may be needed where the quadratic is not.
            if match is not None and not _is_better(better, match):
                continue
            match = better
            place = self.places(match.transform)
        return match

    def places(self, transform: Transform) -> np.ndarray:
        """Return where the stars fall in the raw frame, ``(2, n)``."""
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
        """Fit one degree, from places nearby, until the same stars are paired again."""
        unknowns = (degree + 1) * (degree + 2) // 2
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
    """The stars of a sub near places that move a little from one fit to the next."""

    def __init__(self, raw_xy: np.ndarray):
        self._raw_xy = raw_xy
        self._place: np.ndarray | None = None
        self._radius = 0.0

    def mutual(self, place: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Pair places, ``(2, n)``, with stars where each has no nearer one.

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
        """Look for stars anew if those that were found about other places may not be all."""
        if self._place is not None:
            moved = float(np.hypot(*(place - self._place)).max())
            if moved + reach <= self._radius:
                return
        self._place, self._radius = place, reach + _SLACK_PX
        self._i, self._j = close_pairs(place.T, self._raw_xy, self._radius)


def _is_first(numbers: np.ndarray, count: int) -> np.ndarray:
    """Say of each of some numbers below ``count`` whether none before is equal."""
    first = np.empty(count, dtype=np.int64)
    first[numbers[::-1]] = np.arange(len(numbers))[::-1]
    return first[numbers] == np.arange(len(numbers))


def _is_better(higher: Match, lower: Match) -> bool:
    """Say whether a higher degree is worth it: residuals fall, and by more than chance has it.

    The second is an F test of the added coefficients; 4 is beyond chance for any number of stars
    that is let in.
    """
    count, terms = len(higher.grid_index), len(higher.transform.x)
    if count < 4 * terms or higher.rms_px > _FALL * lower.rms_px:
        return False
    if count < _KEPT * len(lower.grid_index):
        return False  # residuals fall wherever the worst of the stars are left out
    added = terms - len(lower.transform.x)
    fall = max(lower.rms_px, 1e-4) ** 2 / max(higher.rms_px, 1e-4) ** 2 - 1
    return fall * (count - terms) / added > 4


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
