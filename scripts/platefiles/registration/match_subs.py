"""Match the subs of a channel with the reference, whose pixels are the grid."""

from dataclasses import dataclass

import numpy as np

from platefiles.config.lock_file import Lock
from platefiles.jobs.job_log import log
from platefiles.settings.registration import Registration
from platefiles.subs.measures import MeasuredSub
from platelib.numerics.transform import identity
from platelib.registration.match import GridStars, NoMatch
from platelib.registration.sub_state import Cause
from platelib.registration.transform_fit import Match
from platelib.registration.world_transforms import (
    Lists,
    WorldDisagrees,
    checked_by_stars,
    world_transform,
)

BY_HEADER, BY_STARS, IS_GRID = "header", "stars", "grid"
"""What the transform of a sub comes from."""


@dataclass(frozen=True)
class MatchedSub:
    """The match of a sub with the grid.

    Attributes
    ----------
    match : Match
        Indices into the unflagged stars of both subs followed by the saturated ones.
    source : str
        ``grid``, ``stars`` or ``header``.
    """

    match: Match
    source: str


class SubMatcher:
    """Matches subs with the grid.

    Parameters
    ----------
    reference : MeasuredSub
        The reference sub, whose pixels are the grid.
    lock : Lock
    settings : Registration
    """

    def __init__(self, reference: MeasuredSub, lock: Lock, settings: Registration):
        self._reference, self._settings = reference, settings
        self._shape = (lock.height_px, lock.width_px)
        stars = reference.good_stars
        self._xy = _places(stars)
        weights = 1 / (0.02**2 + (0.5 * stars["fwhm"] * stars["flux_error"] / stars["flux"]) ** 2)
        saturated = _places(reference.saturated_stars)
        self._grid = GridStars(self._xy, weights, self._shape, settings.max_degree, saturated)

    def match(self, sub: MeasuredSub) -> MatchedSub:
        """Match a sub by the world coordinates of calibrated frames, else by stars.

        Raises
        ------
        NoMatch
            With the reason.
        """
        if sub.id == self._reference.id:
            everyone = np.arange(len(self._xy))
            return MatchedSub(Match(identity(self._shape), everyone, everyone, 0.0), IS_GRID)
        said, causes = "", tuple[Cause, ...]()
        try:
            match = self._by_header(sub)
            if match is not None:
                return MatchedSub(match, BY_HEADER)
        except WorldDisagrees as error:
            said, causes = f"the header's {error}", error.causes
            log.info("%s: %s; matched by stars instead", sub.facts["name"], said)
        try:
            return MatchedSub(self._by_stars(sub), BY_STARS)
        except NoMatch as error:
            sentence = f"{error}; {said}" if said else str(error)
            raise NoMatch(sentence, *error.causes, *causes) from error

    def _by_header(self, sub: MeasuredSub) -> Match | None:
        """Match by world coordinates; None if either frame has none."""
        if self._reference.world is None or sub.world is None:
            return None
        transform = world_transform(
            self._reference.world, sub.world, self._shape, self._settings.max_degree
        )
        lists = Lists(self._xy, _places(sub.good_stars))
        return checked_by_stars(transform, self._grid, lists)

    def _by_stars(self, sub: MeasuredSub) -> Match:
        match = self._grid.match(
            _places(sub.good_stars),
            self._settings.min_matches,
            _places(sub.saturated_stars),
        )
        if match.rms_px > self._settings.max_rms_px:
            msg = (
                f"rms of star positions {match.rms_px:.2f} px, "
                f"limit {self._settings.max_rms_px:g} px (registration.max_rms_px)"
            )
            raise NoMatch(msg, Cause.MAX_RMS_PX)
        return match


def common_stars(
    one: MeasuredSub, match: Match, other: MeasuredSub, other_match: Match
) -> tuple[np.ndarray, np.ndarray]:
    """Return the indices of the common stars of two matched subs among their unflagged stars."""
    _, first, second = np.intersect1d(
        match.grid_index, other_match.grid_index, assume_unique=True, return_indices=True
    )
    i, j = match.raw_index[first], other_match.raw_index[second]
    good = (i < len(one.good_stars)) & (j < len(other.good_stars))
    return i[good], j[good]


def _places(stars: np.ndarray) -> np.ndarray:
    return np.stack([stars["x"], stars["y"]], axis=1)
