"""Tracks: the moving objects of a night as measured, one for each object."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from platelib.movers.detections import Detections, Subs
from platelib.movers.false_alarms import expected_peaks, false_alarm_probability
from platelib.movers.linking import Link
from platelib.movers.path_sums import PathSum
from platelib.movers.rate_fit import RateFit
from platelib.movers.rate_search import RateSearch

LINKING, RATE_SEARCH = "linking", "rate search"
_SECONDS_PER_MINUTE = 60.0
_SAME_SIGMA = 5.0


@dataclass(frozen=True)
class Plate:
    """Scale and orientation of the grid.

    Attributes
    ----------
    arcsec_per_px : float
    north_deg : float
        Direction of north on the grid, degrees from +x to +y.
    east_deg : float
        Direction of east: `north_deg` + 90, or - 90 on a mirrored grid.
    """

    arcsec_per_px: float
    north_deg: float = 90.0
    east_deg: float = 180.0

    def position_angle(self, vx: float, vy: float) -> float:
        """Return the direction of a motion, degrees from north to east, 0 to 360."""
        north, east = math.radians(self.north_deg), math.radians(self.east_deg)
        along_north = vx * math.cos(north) + vy * math.sin(north)
        along_east = vx * math.cos(east) + vy * math.sin(east)
        return math.degrees(math.atan2(along_east, along_north)) % 360.0


@dataclass(frozen=True)
class Track:
    """A moving object of one night.

    Attributes
    ----------
    sub : numpy.ndarray
        ``(k,)`` int64: numbers of the subs with a measure, in the order of time.
    x, y, sigma_px : numpy.ndarray
        ``(k,)`` float64: place at mid-exposure and its error along an axis, px. Detections have
        places of their own; sums along a rate only that of the motion.
    snr, flux, flux_error : numpy.ndarray
        ``(k,)`` float64.
    trail_px : numpy.ndarray
        ``(k,)`` float64: length of the trail that rate and exposure make, px.
    motion : RateFit
        Place and rate; minutes since the middle of the night's series.
    rate_px_min, rate_arcsec_min, rate_error_arcsec_min : float
    position_angle_deg : float
        Direction of the motion, from north to east.
    total_snr : float
        Signal-to-noise of all subs together.
    covered : int
        Subs that cover the track and could show it.
    chance : float
        Expected number of tracks as good in the search of a field without movers.
    false_alarm_probability : float
        Probability of one or more of them.
    found_by : tuple of str
        `LINKING`, `RATE_SEARCH` or both.
    """

    sub: np.ndarray
    x: np.ndarray
    y: np.ndarray
    sigma_px: np.ndarray
    snr: np.ndarray
    flux: np.ndarray
    flux_error: np.ndarray
    trail_px: np.ndarray
    motion: RateFit
    rate_px_min: float
    rate_arcsec_min: float
    rate_error_arcsec_min: float
    position_angle_deg: float
    total_snr: float
    covered: int
    chance: float
    false_alarm_probability: float
    found_by: tuple[str, ...]


def track_of_link(link: Link, detections: Detections, subs: Subs, plate: Plate) -> Track:
    """Return the track of linked detections."""
    measures = detections.of(link.members)
    return _track(measures, link.motion, subs, plate, len(link.covered), link.chance, LINKING)


def track_of_path(
    path: PathSum, search: RateSearch, number: np.ndarray, subs: Subs, plate: Plate
) -> Track:
    """Return the track of a sum along a rate.

    Parameters
    ----------
    path : PathSum
    search : RateSearch
    number : numpy.ndarray
        ``(n,)`` int64: the subs that were searched, in the order of time.
    subs : Subs
    plate : Plate

    Returns
    -------
    Track
        The errors of place and rate are those of a Gaussian star image in noise of the sky:
        ``sqrt(2) sigma / (S/N)`` along an axis.
    """
    minutes = subs.minutes[number]
    middle = float((minutes[0] + minutes[-1]) / 2)
    seen = path.weight > 0
    motion = _motion_of_path(path, minutes - middle, search.correlation_px, middle)
    weight, flux = path.weight[seen], path.signal[seen] / path.weight[seen]
    snr = path.signal[seen] / np.sqrt(weight)
    x, y = motion.at(minutes[seen]).T
    error = motion.error_at(minutes[seen])
    flags = np.zeros(len(x), dtype=np.int64)
    measures = Detections(number[seen], x, y, error, snr, flux, 1 / np.sqrt(weight), flags)
    chance = search.excess * expected_peaks(
        path.statistic, search.pixels, search.most, minutes, search.correlation_px
    )
    return _track(measures, motion, subs, plate, int(seen.sum()), chance, RATE_SEARCH)


def _motion_of_path(
    path: PathSum, minutes: np.ndarray, correlation_px: float, middle: float
) -> RateFit:
    """Return the motion of a path, with the covariance that its signal-to-noise gives."""
    weight = path.weight / path.weight.sum()
    epoch = float((weight * minutes).sum())
    spread = float((weight * (minutes - epoch) ** 2).sum())
    variance = (correlation_px / path.statistic) ** 2
    covariance = np.diag([variance, variance / spread])
    rate = np.array([path.vx, path.vy])
    place = np.array([path.x, path.y]) + rate * epoch
    coefficients = np.column_stack([place, rate])
    return RateFit(epoch + middle, coefficients, covariance, 0.0, int((path.weight > 0).sum()))


def _track(
    measures: Detections,
    motion: RateFit,
    subs: Subs,
    plate: Plate,
    covered: int,
    chance: float,
    found_by: str,
) -> Track:
    vx, vy = motion.coefficients[:, 1].tolist()
    exposure = subs.exposure_s[measures.sub] / _SECONDS_PER_MINUTE
    weight = 1 / measures.flux_error**2
    return Track(
        **{name: column for name, column in vars(measures).items() if name != "flags"},
        trail_px=motion.rate * exposure,
        motion=motion,
        rate_px_min=motion.rate,
        rate_arcsec_min=motion.rate * plate.arcsec_per_px,
        rate_error_arcsec_min=motion.rate_error * plate.arcsec_per_px,
        position_angle_deg=plate.position_angle(vx, vy),
        total_snr=_total_snr(measures, weight, subs),
        covered=covered,
        chance=chance,
        false_alarm_probability=false_alarm_probability(chance),
        found_by=(found_by,),
    )


def _total_snr(measures: Detections, weight: np.ndarray, subs: Subs) -> float:
    """Return the signal-to-noise of all subs, each channel with a flux of its own."""
    channel = subs.channel[measures.sub]
    squares = 0.0
    for number in np.unique(channel):
        own = channel == number
        total = float(weight[own].sum())
        squares += max(float((weight * measures.flux)[own].sum()), 0.0) ** 2 / total
    return math.sqrt(squares)


def merge_tracks(
    linked: Sequence[Track], summed: Sequence[Track], minutes: np.ndarray, fwhm_px: float
) -> list[Track]:
    """Join the tracks of linking and of sums along rates.

    Parameters
    ----------
    linked, summed : sequence of Track
    minutes : numpy.ndarray
        ``(n,)`` float64: times of all subs of the night.
    fwhm_px : float
        Of star images. Two tracks are one object if they are within this of each other, and 5
        sigma, in half of the subs of the shorter one.

    Returns
    -------
    list of Track
        The most certain first. An object of both searches has the measures of linking, the lower
        chance, and both names. A sum of what linking has found already is not listed twice, even
        if several paths lie along it.
    """
    merged = list(linked)
    for track in sorted(summed, key=lambda one: (one.chance, -one.total_snr)):
        same = [
            k for k, other in enumerate(merged) if is_same_object(track, other, minutes, fwhm_px)
        ]
        if not same:
            merged.append(track)
        for k in same[:1]:
            names = tuple(dict.fromkeys((*merged[k].found_by, *track.found_by)))
            best = min((merged[k], track), key=lambda one: one.chance)
            merged[k] = replace(
                merged[k],
                chance=best.chance,
                false_alarm_probability=best.false_alarm_probability,
                found_by=names,
            )
    return sorted(merged, key=lambda track: (track.chance, -track.total_snr))


def is_same_object(one: Track, other: Track, minutes: np.ndarray, fwhm_px: float) -> bool:
    """Return whether two tracks lie on each other in half of the subs of the shorter one."""
    short, long = sorted((one, other), key=lambda track: len(track.sub))
    times = minutes[short.sub]
    away = np.hypot(*(short.motion.at(times) - long.motion.at(times)).T)
    error = np.hypot(short.motion.error_at(times), long.motion.error_at(times))
    return bool(np.mean(away <= np.hypot(fwhm_px, _SAME_SIGMA * error)) >= 0.5)
