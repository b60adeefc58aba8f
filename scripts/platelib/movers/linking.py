"""Detections of a night linked into tracks of constant rate.

Pairs of detections are extended by prediction, as Kubica et al. (2007), Icarus 189, 151, do with
trees (from memory). Each track has the number of tracks as good as itself that chance makes of
detections of this density; the threshold is set on this number.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from platelib.movers.detections import Covered, Detections, Subs
from platelib.movers.false_alarms import (
    Density,
    excess_of_shuffles,
    log_chance_rate,
    log_chance_tracks,
    shuffled_order,
)
from platelib.movers.link_seeds import GATE, Night, night_of, seeds
from platelib.movers.rate_fit import RateFit, fit_motion, fit_rate, most_acceleration
from platelib.movers.resting_places import at_rest

_FEWEST = 3
_ROUNDS = 12
_WELL_PREDICTED_PX = (4.0, 30.0)
_MOST_CHANCE_MEMBERS = 0.05
_FLOOR_PX = 0.1
_MOST_REDUCED_CHI2 = 4.0
_FLUX_SCATTER = 0.3
_MOST_FLUX_CHI2 = 6.0
_FEWER_SIGMA = 3.0
_COUNT_SCATTER = 0.2
_SURE_RATE = 4.5
_SHORT_PX = 8.0


@dataclass(frozen=True)
class LinkSearch:
    """What is linked, and what counts as found.

    Attributes
    ----------
    arcsec_per_px : float
    least, most : float
        Lowest and highest rate, arcsec/min.
    false_alarms : float
        Expected number of false tracks in the field. By default one in 100 fields, so that linking
        and the search along rates have one in 50 together.
    excess : float
        Tracks in shuffled series for one that is expected, see `shuffled_excess`.
    """

    arcsec_per_px: float
    least: float = 0.02
    most: float = 30.0
    false_alarms: float = 0.01
    excess: float = 1.0

    @property
    def rates(self) -> tuple[float, float]:
        """Lowest and highest rate, px/min."""
        return self.least / self.arcsec_per_px, self.most / self.arcsec_per_px


@dataclass(frozen=True)
class Link:
    """Detections in a line of constant rate.

    Attributes
    ----------
    members : numpy.ndarray
        ``(k,)`` int64: numbers of the detections, in the order of time.
    motion : RateFit
    covered : numpy.ndarray
        ``(m,)`` int64: subs that cover the track, of the channels that show it.
    expected : float
        Detections expected in these, by brightness.
    chance : float
        Expected number of chance tracks as good as this one, in the whole search.
    """

    members: np.ndarray
    motion: RateFit
    covered: np.ndarray
    expected: float
    chance: float


def link_detections(
    detections: Detections,
    subs: Subs,
    search: LinkSearch,
    covered: Covered | None = None,
    order: np.ndarray | None = None,
    most_chance: float | None = None,
) -> list[Link]:
    """Link the detections of a night.

    Parameters
    ----------
    detections : Detections
    subs : Subs
    search : LinkSearch
    covered : callable, optional
        Says where a sub has data; the whole grid by default.
    order : numpy.ndarray, optional
        ``(m,)``: the sub whose time each sub is given, for a shuffled series.
    most_chance : float, optional
        List tracks with at most this expected number of chance tracks; that of the search by
        default.

    Returns
    -------
    list of Link
        The most certain first; no detection is in two of them. Detections with flags and at
        resting places are left out.
    """
    minutes = subs.minutes if order is None else subs.minutes[order]
    free = np.flatnonzero(detections.flags == 0)
    free = free[np.argsort(detections.sub[free], kind="stable")]
    resting, places = at_rest(detections.of(free), minutes)
    free = free[~resting]
    if len(free) < _FEWEST or len(subs) < _FEWEST:
        return []
    night = night_of(detections.of(free), minutes, subs.channel)
    linker = _Linker(night, subs, search, covered or subs.inside, places)
    limit = search.false_alarms if most_chance is None else most_chance
    links = linker.links(math.log(limit))
    return [replace(link, members=free[link.members]) for link in links]


def shuffled_excess(
    detections: Detections,
    subs: Subs,
    search: LinkSearch,
    seeds: Sequence[int],
    covered: Covered | None = None,
) -> float:
    """Return how many tracks shuffled series show for one that is expected, at least 1.

    Tracks of a series whose times are permuted are false by construction. Those with at most one
    expected chance track are counted, and two standard deviations added.

    Parameters
    ----------
    detections, subs, search, covered
        See `link_detections`; the excess of the search itself is left aside.
    seeds : sequence of int
        One shuffled search for each.
    """
    plain = replace(search, excess=1.0)
    found = 0
    for seed in seeds:
        order = shuffled_order(len(subs), seed)
        found += len(link_detections(detections, subs, plain, covered, order, most_chance=1.0))
    return excess_of_shuffles(found, float(len(seeds)))


class _Linker:
    """The state of a search: detections in use, and their density."""

    def __init__(
        self, night: Night, subs: Subs, search: LinkSearch, covered: Covered, places: int
    ) -> None:
        self._places = places
        self._night, self._subs, self._search, self._covered = night, subs, search, covered
        self._area = float(np.prod(subs.shape))
        self._used = np.zeros(len(night.detections), dtype=bool)
        # A sub is looked at if chance rarely puts a detection within the gate.
        crowd = math.pi * GATE**2 * len(night.detections) / len(subs) / self._area
        least, largest = _WELL_PREDICTED_PX
        self._well_predicted = min(max(math.sqrt(_MOST_CHANCE_MEMBERS / crowd), least), largest)
        self._counted = ~self._used
        self._density = self._measured()

    def _measured(self) -> Density:
        self._counted = ~self._used
        rest = self._night.detections.of(self._counted)
        return Density(rest.x, rest.y, rest.snr, len(self._subs), self._area)

    def links(self, limit: float) -> list[Link]:
        """Return tracks below a limit on the logarithm of the number of chance tracks."""
        candidates = self._candidates()
        kept: list[Link] = []
        # The density without the tracks that are certain is the one that chance has.
        for _ in range(2):
            self._used[:] = False
            for link in kept:
                self._used[link.members] = True
            self._density = self._measured()
            self._used[:] = False
            kept = self._without_overlap(candidates, limit)
        return kept

    def _without_overlap(self, candidates: list[np.ndarray], limit: float) -> list[Link]:
        judged = [link for c in candidates if (link := self._judged(c)) and link.chance <= limit]
        kept: list[Link] = []
        while judged:
            judged.sort(key=lambda link: (link.chance, link.members.tolist()))
            best = judged.pop(0)
            kept.append(best)
            self._used[best.members] = True
            rest = []
            for link in judged:
                free = link.members[~self._used[link.members]]
                again = link if len(free) == len(link.members) else self._judged(free)
                if again is not None and again.chance <= limit:
                    rest.append(again)
            judged = rest
        return [replace(link, chance=math.exp(min(link.chance, 50.0))) for link in kept]

    def _candidates(self) -> list[np.ndarray]:
        pairs = seeds(self._night, self._search.rates, self._area)
        known: dict[tuple[int, ...], None] = {}
        together: dict[int, set[int]] = {}
        for one, other in pairs.tolist():
            if together.get(one, set()) & together.get(other, set()):
                continue
            members = self._extended(np.array([one, other]))
            key = tuple(members.tolist())
            if len(key) >= _FEWEST and key not in known:
                known[key] = None
                for member in key:
                    together.setdefault(member, set()).add(len(known))
        return [np.array(key) for key in known]

    def _extended(self, members: np.ndarray) -> np.ndarray:
        """Add the detections that a motion predicts, nearest in time first."""
        detections, minutes = self._night.detections, self._night.minutes
        for _ in range(_ROUNDS):
            motion = self._fitted(members)
            error = motion.error_at(minutes)
            seen = minutes[detections.sub[members]]
            beyond = np.maximum(np.maximum(seen.min() - minutes, minutes - seen.max()), 0)
            scale = self._search.arcsec_per_px
            bend = most_acceleration(motion.rate * scale) / scale / 2
            error = np.sqrt(error**2 + (bend * beyond * (beyond + np.ptp(seen))) ** 2)
            found = self._predicted(motion, error)
            if np.array_equal(found, members) or len(found) < 2:
                break
            members = found
        return members

    def _predicted(self, motion: RateFit, error: np.ndarray) -> np.ndarray:
        """Return the detections nearest to where a motion is, one a sub, in the order of time."""
        detections, minutes = self._night.detections, self._night.minutes
        places = motion.at(minutes)
        found = []
        for sub in np.argsort(minutes, kind="stable").tolist():
            if error[sub] > self._well_predicted:
                continue
            distance, number = self._night.nearest(sub, places[sub : sub + 1])
            if not np.isfinite(distance[0]):
                continue
            own = detections.sigma_px[number[0]] ** 2 + _FLOOR_PX**2
            if distance[0] ** 2 <= GATE**2 * (error[sub] ** 2 + own):
                found.append(int(number[0]))
        return np.array(found, dtype=np.int64)

    def _fitted(self, members: np.ndarray) -> RateFit:
        d = self._night.detections.of(members)
        t = self._night.minutes[d.sub]
        if len(members) < _FEWEST:
            return fit_rate(t, d.x, d.y, d.sigma_px)
        return fit_motion(t, d.x, d.y, d.sigma_px, self._search.arcsec_per_px)

    def _judged(self, members: np.ndarray) -> Link | None:
        """Return a track with the logarithm of its chance, or None if it is no mover."""
        if len(members) < _FEWEST:
            return None
        detections, search = self._night.detections.of(members), self._search
        motion = self._fitted(members)
        least, most = search.rates
        if not least <= motion.rate + 2 * motion.rate_error or motion.rate > most:
            return None
        if motion.chi2 > _MOST_REDUCED_CHI2 * max(motion.degrees, 1) + 9:
            return None
        if motion.rate < _SURE_RATE * motion.rate_error or not self._is_steady(detections):
            return None
        covered, expected, spread = self._expectation(motion, detections)
        if len(members) < expected - _FEWER_SIGMA * spread or len(covered) < len(members):
            return None
        chance = self._chance(members, motion, len(covered))
        return Link(members, motion, covered, expected, chance)

    def _is_steady(self, detections: Detections) -> bool:
        """Return whether the flux is the same within errors and 30 %, in each channel."""
        total, degrees = 0.0, 0
        channel = self._night.channel[detections.sub]
        for number in np.unique(channel):
            flux = detections.flux[channel == number]
            middle = float(np.median(flux))
            error2 = detections.flux_error[channel == number] ** 2 + (_FLUX_SCATTER * middle) ** 2
            total += float(((flux - middle) ** 2 / error2).sum())
            degrees += len(flux) - 1
        return degrees == 0 or total <= _MOST_FLUX_CHI2 * degrees

    def _expectation(
        self, motion: RateFit, detections: Detections
    ) -> tuple[np.ndarray, float, float]:
        """Return covering subs, the detections expected in them, and the scatter of that."""
        subs, minutes = self._subs, self._night.minutes
        places = motion.at(minutes)
        shown = np.zeros(len(subs))
        channel = subs.channel[detections.sub]
        for number in np.unique(channel):
            flux = float(np.median(detections.flux[channel == number]))
            same = subs.channel == number
            shown[same] = flux / subs.flux_error[same]
        there = (shown > 0) & self._covered(np.arange(len(subs)), *places.T)
        there[detections.sub] = True
        # Where only the brightest are listed, their flux is too high by about half of sigma.
        p = ndtr(shown[there] - subs.threshold[there] - 0.5)
        expected = float(p.sum())
        spread = math.sqrt(float((p * (1 - p)).sum()) + (_COUNT_SCATTER * expected) ** 2)
        return np.flatnonzero(there), expected, spread

    def _chance(self, members: np.ndarray, motion: RateFit, covered: int) -> float:
        d, search = self._night.detections.of(members), self._search
        density, share = self._density.at(d.x, d.y, self._counted[members], float(d.snr.min()))
        channels = len(np.unique(self._subs.channel))
        chance = log_chance_tracks(
            len(d),
            covered,
            self._night.minutes[d.sub],
            np.maximum(d.sigma_px, _FLOOR_PX),
            motion.chi2,
            (motion.rate, search.rates[1]),
            self._area,
            density,
            share,
        ) + (channels - 1) * math.log(2)
        if motion.rate * float(np.ptp(self._night.minutes[d.sub])) < _SHORT_PX:
            chance = max(chance, log_chance_rate(motion, self._places))
        return chance + math.log(search.excess)
