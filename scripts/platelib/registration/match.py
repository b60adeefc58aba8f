"""Match the stars of a sub with the grid, and find the transform.

The seed is the similarity that triangles of bright stars vote for. It is refined on all stars
(`platelib.registration.transform_fit`). A match is accepted if chance would hardly ever bring as
many stars together (`platelib.registration.match_significance`).

Saturated stars have poor positions, but in a deep sub they are what a short sub shows best. They
take part in the patterns, and in the fit only where too few other stars agree.

Nothing here but numpy: to import a tree of points or to load a compiled kernel takes longer than
to match the subs of a night.
"""

from dataclasses import replace
from functools import cached_property

import numpy as np

from platelib.astrometry.triangles import Triangles
from platelib.numerics.transform import Transform
from platelib.registration.astroalign_match import ASTERISM_TRIALS, asterism_similarity
from platelib.registration.match_significance import LOG_THRESHOLD, log_chance
from platelib.registration.sub_state import Cause, LeftOut
from platelib.registration.transform_fit import FittedStars, Match

_LADDER = (30, 60, 120)
_SATURATED_ERROR_PX = 0.3
_NOWHERE = np.zeros((0, 2))


class NoMatch(LeftOut):
    """Two star lists that do not show the same field; the message says how near it came."""


class GridStars:
    """The stars of the reference sub, with which each sub is matched.

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
        self._saturated = _NOWHERE if saturated_xy is None else saturated_xy
        self._good = FittedStars(xy, weights, shape, max_degree)
        self._triangles: dict[tuple[int, bool, bool], Triangles] = {}

    @cached_property
    def _full(self) -> FittedStars:
        """All stars, saturated ones last and with a small weight."""
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
            raise NoMatch(msg, Cause.NO_MATCH)
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
        raise search.refusal()

    def match_near(
        self, transform: Transform, raw_xy: np.ndarray, min_matches: int
    ) -> Match | None:
        """Return the match near a given transform, or None.

        Parameters
        ----------
        transform : Transform
            From the grid to the raw frame, to a few pixels.
        raw_xy, min_matches
            See `match`.
        """
        search = _Search(raw_xy, raw_xy, min_matches)
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
        """Return the match near given positions of all stars, unless chance explains it."""
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
    """The stars of a sub, and the attempted matches."""

    def __init__(self, raw_xy: np.ndarray, full_xy: np.ndarray, min_matches: int):
        self.raw_xy, self.full_xy, self.trials = raw_xy, full_xy, 0
        self._min_matches = min_matches
        self._best = 0
        self._best_certain = False

    def is_certain(self, match: Match, grid: FittedStars, raw_xy: np.ndarray) -> bool:
        """Return whether stars enough agree, and more than chance brings together."""
        agreed = len(match.grid_index)
        places = grid.places(match.transform)
        terms = len(match.transform.x)
        log_odds = log_chance(places, raw_xy, agreed, match.rms_px, terms, self.trials)
        certain = log_odds <= LOG_THRESHOLD
        if (certain, agreed) > (self._best_certain, self._best):
            self._best_certain, self._best = certain, agreed
        return certain and agreed >= self._min_matches

    def refusal(self) -> NoMatch:
        """Return the exception that says how near a sub came to a match."""
        told = f"no match with the reference: {self._best} of {len(self.full_xy)} stars agree"
        if self._best_certain:
            needed = f"limit at least {self._min_matches} (registration.min_matches)"
            return NoMatch(f"{told}; {needed}", Cause.MIN_MATCHES)
        return NoMatch(f"{told}, which may be coincidence", Cause.NO_MATCH)


def _seen(xy: np.ndarray, mirrored: bool) -> np.ndarray:
    return xy * np.array([1.0, -1.0]) if mirrored else xy


def _complex(xy: np.ndarray, mirrored: bool) -> np.ndarray:
    x, y = _seen(xy, mirrored).T
    return x + 1j * y
