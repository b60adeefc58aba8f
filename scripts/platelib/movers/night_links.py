"""Tracks of different nights linked to one object.

The place and rate of one night lead along a great circle to another night. The area in which the
object may be grows with the errors of both and with what the rate may change.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platelib.astrometry.celestial import from_tangent_plane, tangent_plane
from platelib.movers.false_alarms import false_alarm_probability
from platelib.movers.rate_fit import distance_au, most_parallax_rate

_MINUTES_PER_DAY = 1440.0
_ARCSEC_PER_DEG = 3600.0
_SUN_AU_DAY2 = 0.01720209895**2
"""Acceleration at 1 au from the Sun, au/day^2: the square of the Gaussian constant."""

_ARCSEC_PER_RADIAN = math.degrees(1) * _ARCSEC_PER_DEG
_MOST_CHI2 = 18.5
"""Exceeded by chance once in 1000 links, chi square with 4 degrees of freedom."""


@dataclass(frozen=True)
class Tracklet:
    """Place and rate of an object in one night.

    Attributes
    ----------
    time_d : float
        Days; the time of the place.
    ra_deg, dec_deg : float
        ICRS.
    rate_east, rate_north : float
        Arcsec/min along the sky.
    place_error : float
        Along an axis, arcsec.
    rate_error : float
        Along an axis, arcsec/min.
    """

    time_d: float
    ra_deg: float
    dec_deg: float
    rate_east: float
    rate_north: float
    place_error: float
    rate_error: float

    @property
    def rate(self) -> float:
        """Rate, arcsec/min."""
        return math.hypot(self.rate_east, self.rate_north)


@dataclass(frozen=True)
class NightLink:
    """Two tracklets that may be one object.

    Attributes
    ----------
    earlier, later : int
        Numbers of the tracklets.
    residual_arcsec : float
        Distance of the later one from where the earlier one leads.
    search_arcsec : float
        Error of that along an axis, with the allowance for a change of rate.
    chi2 : float
        Of place and rate, 4 degrees of freedom.
    chance : float
        Expected number of unrelated tracklets that would link as well.
    false_alarm_probability : float
    """

    earlier: int
    later: int
    residual_arcsec: float
    search_arcsec: float
    chi2: float
    chance: float
    false_alarm_probability: float


def rate_change(rate: float, days: float) -> tuple[float, float]:
    """Return how far the apparent rate may change between nights, one sigma along an axis.

    Parameters
    ----------
    rate : float
        Arcsec/min; it says how near the object is, see `rate_fit.distance_au`.
    days : float
        Days between the nights.

    Returns
    -------
    place : float
        Arcsec. Half the largest parallax rate of the turning Earth, which the rate of one night
        contains, by the time; and half the acceleration of the Earth towards the Sun, seen from
        the object, by half the square of the time. At 1 au and 1 day: 28 and 15 arcsec.
    change : float
        Arcsec/min, of the rate: the same without the factors of time.
    """
    minutes = days * _MINUTES_PER_DAY
    parallax = most_parallax_rate(rate) / 2
    sun = _SUN_AU_DAY2 / distance_au(rate) * _ARCSEC_PER_RADIAN / 2
    place = math.hypot(parallax * minutes, sun * days**2 / 2)
    return place, math.hypot(parallax * math.sqrt(2), sun * days / _MINUTES_PER_DAY)


def predicted(tracklet: Tracklet, time_d: float) -> tuple[float, float]:
    """Return where a tracklet leads along its great circle, degrees."""
    angle = tracklet.rate * (time_d - tracklet.time_d) * _MINUTES_PER_DAY / _ARCSEC_PER_RADIAN
    if abs(angle) >= math.pi / 2:
        return math.nan, math.nan
    # A great circle through the tangent point is a straight line of the plane.
    far = math.degrees(math.tan(angle)) / max(tracklet.rate, 1e-300)
    ra, dec = from_tangent_plane(
        tracklet.rate_east * far, tracklet.rate_north * far, tracklet.ra_deg, tracklet.dec_deg
    )
    return float(ra) % 360.0, float(dec)


def link_nights(
    tracklets: Sequence[Tracklet], most_days: float = 4.0, least_days: float = 0.4
) -> list[NightLink]:
    """Link tracklets of different nights.

    Parameters
    ----------
    tracklets : sequence of Tracklet
        Of all nights.
    most_days : float, optional
        Longest time between nights; beyond some days the search area holds many objects.
    least_days : float, optional
        Tracklets closer in time are of one night.

    Returns
    -------
    list of NightLink
        The most certain first; links whose chi square chance exceeds once in 1000.
    """
    links = []
    order = sorted(range(len(tracklets)), key=lambda k: (tracklets[k].time_d, k))
    for rank, i in enumerate(order):
        for j in order[rank + 1 :]:
            days = tracklets[j].time_d - tracklets[i].time_d
            if least_days <= days <= most_days:
                link = _link(tracklets, i, j)
                if link is not None and link.chi2 <= _MOST_CHI2:
                    links.append(link)
    return sorted(links, key=lambda link: (link.chance, link.earlier, link.later))


def _link(tracklets: Sequence[Tracklet], i: int, j: int) -> NightLink | None:
    one, other = tracklets[i], tracklets[j]
    days = other.time_d - one.time_d
    there = predicted(one, other.time_d)
    if not math.isfinite(there[0]):
        return None
    xi, eta, ahead = tangent_plane(other.ra_deg, other.dec_deg, *there)
    if not ahead:
        return None
    # The parallax allowance is for the slower rate: the nearer estimate of a fast one is wider.
    place, change = rate_change(max(one.rate, other.rate), days)
    minutes = days * _MINUTES_PER_DAY
    error2 = one.place_error**2 + other.place_error**2 + (one.rate_error * minutes) ** 2
    search = math.sqrt(error2 + place**2)
    rate_error2 = one.rate_error**2 + other.rate_error**2 + change**2
    residual = float(np.hypot(xi, eta)) * _ARCSEC_PER_DEG
    rates = _rate_there(one, there)
    slip2 = (other.rate_east - rates[0]) ** 2 + (other.rate_north - rates[1]) ** 2
    chi2 = residual**2 / search**2 + slip2 / rate_error2
    chance = _chance(tracklets, j, search, chi2)
    return NightLink(i, j, residual, search, chi2, chance, false_alarm_probability(chance))


def _rate_there(one: Tracklet, there: tuple[float, float]) -> tuple[float, float]:
    """Return the rate of a tracklet in the axes of a later place on its great circle."""
    if one.rate == 0:
        return 0.0, 0.0
    xi, eta, _ = tangent_plane(one.ra_deg, one.dec_deg, *there)
    back = math.hypot(float(xi), float(eta))
    if back < 1e-9:
        return one.rate_east, one.rate_north
    return -one.rate * float(xi) / back, -one.rate * float(eta) / back


def _chance(tracklets: Sequence[Tracklet], j: int, search: float, chi2: float) -> float:
    """Return how many tracklets of the later night chance would put as near, rates left aside."""
    night = [t for t in tracklets if abs(t.time_d - tracklets[j].time_d) < 0.4]
    xi, eta, _ = tangent_plane(
        np.array([t.ra_deg for t in night]),
        np.array([t.dec_deg for t in night]),
        tracklets[j].ra_deg,
        tracklets[j].dec_deg,
    )
    reach = max(float(np.hypot(xi, eta).max()) * _ARCSEC_PER_DEG, 600.0)
    return len(night) / (math.pi * reach**2) * math.pi * search**2 * max(chi2, 1.0)
