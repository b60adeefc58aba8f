"""Finding which stars of a sub are those of the grid, and the transform that leads to them.

The seed is the similarity that triangles of bright stars vote for. It is refined on all stars by
nearest neighbours and weighted least squares, solved in a fixed order; nothing is random. A match
is accepted if chance would hardly ever bring as many stars together
(`platelib.registration.match_significance`).

Saturated stars have poor positions, but in a deep sub they are what a short sub shows best. They
take part in the patterns, and in the fit only where too few other stars agree.

Nothing here but numpy: to import a tree of points or to load a compiled kernel takes longer than
to match the subs of a night.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from platelib.astrometry.triangles import REACH_PX, Triangles
from platelib.numerics.medians import median_of
from platelib.numerics.neighbours import close_pairs
from platelib.numerics.transform import Transform, basis, least_squares, normalisation, polynomial
from platelib.registration.astroalign_match import ASTERISM_TRIALS, asterism_similarity
from platelib.registration.match_significance import LOG_THRESHOLD, log_chance

_LADDER = (30, 60, 120)
_SLACK_PX = 6.0
_FALL, _KEPT = 0.95, 0.99
_ROUND_DIGITS = 7
_SATURATED_ERROR_PX = 0.3
_NOWHERE = np.zeros((0, 2))


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


class NoMatch(Exception):
    """Two star lists that do not show the same field; the message says how near it came."""


class GridStars:
    """The stars of the grid, which those of each sub are matched with.

    Parameters
    ----------
    xy : numpy.ndarray
        ``(n, 2)`` float64 positions on the grid, brightest first.
    weights : numpy.ndarray
        ``(n,)`` weights in the fit, inverse variances in px^-2.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    max_degree : int
        Highest degree of the polynomial; it is raised only while the residuals fall.
    saturated_xy : numpy.ndarray, optional
        ``(s, 2)`` float64 positions of saturated stars, brightest first. They take part in the
        patterns, and in the fit only where too few of the others agree.
    """

    def __init__(
        self,
        xy: np.ndarray,
        weights: np.ndarray,
        shape: tuple[int, int],
        max_degree: int,
        saturated_xy: np.ndarray | None = None,
    ):
        self._normalisation = normalisation(shape)
        self._max_degree = max_degree
        self._saturated = _NOWHERE if saturated_xy is None else saturated_xy
        self._good = _Fitted(xy, weights, shape, max_degree)
        self._triangles: dict[tuple[int, bool, bool], Triangles] = {}

    @cached_property
    def _full(self) -> "_Fitted":
        """All stars, those that are saturated last and with a small weight."""
        xy, weights = self._good.xy, self._good.weights
        low = np.full(len(self._saturated), _SATURATED_ERROR_PX**-2)
        return replace(
            self._good,
            xy=np.concatenate([xy, self._saturated]),
            weights=np.concatenate([weights, np.minimum(low, weights.min(initial=np.inf))]),
        )

    def match(
        self, raw_xy: np.ndarray, min_matches: int, saturated_xy: np.ndarray | None = None
    ) -> Match:
        """Find the transform from the grid's stars to a sub's stars.

        Parameters
        ----------
        raw_xy : numpy.ndarray
            ``(m, 2)`` float64 positions in the raw frame, brightest first.
        min_matches : int
            Fewer stars in common are no match.
        saturated_xy : numpy.ndarray, optional
            ``(t, 2)`` float64 positions of saturated stars in the raw frame, brightest first.

        Returns
        -------
        Match
            Indices of saturated stars follow those of the others, in both lists.

        Raises
        ------
        NoMatch
            With how many stars agreed at best.
        """
        saturated = _NOWHERE if saturated_xy is None else saturated_xy
        full_xy = np.concatenate([raw_xy, saturated])
        fewest = min(len(self._good.xy) + len(self._saturated), len(full_xy))
        if fewest < 3:
            msg = f"only {fewest} stars to match"
            raise NoMatch(msg)
        search = _Search(raw_xy, full_xy, min_matches)
        for seed, mirrored in self._seeds(search, raw_xy, np.concatenate([saturated, raw_xy])):
            image = seed[0] * _complex(self._full.xy, mirrored) + seed[1]
            match = self._accepted(np.stack([image.real, image.imag]), search)
            if match is not None:
                return match
        similarity = asterism_similarity(
            np.concatenate([self._saturated, self._good.xy]), np.concatenate([saturated, raw_xy])
        )
        if similarity is not None:
            search.trials += ASTERISM_TRIALS
            place = similarity[:, :2] @ self._full.xy.T + similarity[:, 2:]
            match = self._accepted(place, search)
            if match is not None:
                return match
        raise NoMatch(search.refusal())

    def match_near(
        self,
        transform: Transform,
        raw_xy: np.ndarray,
        min_matches: int,
        saturated_xy: np.ndarray | None = None,
    ) -> Match | None:
        """Return the match that is found near a transform known from elsewhere, or None.

        Parameters
        ----------
        transform : Transform
            From the grid to the raw frame, to a few pixels.
        raw_xy, min_matches, saturated_xy
            See `match`.
        """
        saturated = _NOWHERE if saturated_xy is None else saturated_xy
        search = _Search(raw_xy, np.concatenate([raw_xy, saturated]), min_matches)
        search.trials = 1
        return self._accepted(np.stack(transform(*self._full.xy.T)), search)

    def _seeds(self, search: "_Search", good: np.ndarray, bright: np.ndarray):
        """Yield similarities that patterns of stars vote for, and whether the field is mirrored."""
        longest = max(len(self._good.xy) + len(self._saturated), len(bright))
        has_saturated = len(self._saturated) > 0 or len(bright) > len(good)
        for most in _LADDER:
            for saturated in (False, True) if has_saturated else (False,):
                stars = (bright if saturated else good)[:most]
                if len(stars) < 3 or not saturated and len(self._good.xy) < 3:
                    continue
                raw = Triangles(stars)
                for mirrored in (False, True):
                    grid = self._brightest(most, mirrored, saturated)
                    a, b = grid.similarities(raw)
                    search.trials += len(a)
                    seed = grid.elected(a, b, raw) if len(a) else None
                    if seed is not None:
                        yield seed, mirrored
            if most >= longest:
                return

    def _brightest(self, most: int, mirrored: bool, saturated: bool) -> "Triangles":
        key = most, mirrored, saturated
        if key not in self._triangles:
            xy = self._good.xy
            if saturated:
                xy = np.concatenate([self._saturated, xy])
            self._triangles[key] = Triangles(_seen(xy[:most], mirrored))
        return self._triangles[key]

    def _accepted(self, place: np.ndarray, search: "_Search") -> Match | None:
        """Return the match near some places of all stars if chance does not explain it."""
        count = len(self._good.xy)
        match = self._good.refined(place[:, :count], search.raw_xy)
        if match is not None and search.is_certain(match, self._good, search.raw_xy):
            return match
        if len(self._saturated) or len(search.full_xy) > len(search.raw_xy):
            match = self._full.refined(place, search.full_xy)
            if match is not None and search.is_certain(match, self._full, search.full_xy):
                return match
        return None


class _Search:
    """The stars of a sub, and what was tried to match them."""

    def __init__(self, raw_xy: np.ndarray, full_xy: np.ndarray, min_matches: int):
        self.raw_xy, self.full_xy, self.trials = raw_xy, full_xy, 0
        self._min_matches = min_matches
        self._best = 0
        self._best_certain = False

    def is_certain(self, match: Match, grid: "_Fitted", raw_xy: np.ndarray) -> bool:
        """Say whether stars enough agree, and more than chance brings together."""
        agreed = len(match.grid_index)
        places = grid.places(match.transform)
        terms = len(match.transform.x)
        log_odds = log_chance(places, raw_xy, agreed, match.rms_px, terms, self.trials)
        certain = log_odds <= LOG_THRESHOLD
        if (certain, agreed) > (self._best_certain, self._best):
            self._best_certain, self._best = certain, agreed
        return certain and agreed >= self._min_matches

    def refusal(self) -> str:
        """Say how near a sub came to a match."""
        told = f"no match with the reference: {self._best} of {len(self.full_xy)} stars agree"
        if self._best_certain:
            return f"{told}; at least {self._min_matches} are needed (registration: min_matches)"
        return f"{told}, which may be chance"


@dataclass(frozen=True)
class _Fitted:
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


def _seen(xy: np.ndarray, mirrored: bool) -> np.ndarray:
    return xy * np.array([1.0, -1.0]) if mirrored else xy


def _complex(xy: np.ndarray, mirrored: bool) -> np.ndarray:
    x, y = _seen(xy, mirrored).T
    return x + 1j * y


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
