import math

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import EarthLocation, get_body
from astropy.time import Time
from astropy.utils import iers

from platelib.astrometry.celestial import separation_deg, tangent_plane
from platelib.movers.night_links import Tracklet, link_nights, predicted, rate_change

SITE = EarthLocation.from_geodetic(11.0 * u.deg, 48.0 * u.deg, 500 * u.m)


def _tracklets(body, days):
    """Return tracklets of an hour, from the place of a planet as seen from a site."""
    hour = 1 / 24
    with iers.conf.set_temp("auto_download", False):
        times = Time(2460000.5 + np.stack([days, days + hour]).ravel(), format="jd", scale="tt")
        place = get_body(body, times, SITE, ephemeris="builtin")
    ra, dec = (angle.deg.reshape(2, -1) for angle in (place.ra, place.dec))
    xi, eta, _ = tangent_plane(ra[1], dec[1], ra[0], dec[0])
    return [
        Tracklet(t, r, d, x * 60, y * 60, 0.3, 0.005)
        for t, r, d, x, y in zip(days, ra[0], dec[0], xi, eta, strict=True)
    ]


@pytest.mark.parametrize("body", ["mars", "jupiter", "saturn", "venus"])
def test_planets_stay_within_the_search_area(body):
    """Tracklets of planets a day or two apart are linked, whatever their hours: astropy."""
    # Earth, planets and site: astropy.coordinates.get_body with its built-in ephemeris.
    rng = np.random.default_rng(4)
    first = rng.uniform(0, 800, 30)
    later = first + rng.uniform(0.7, 2.3, 30)
    links = [
        link_nights([one, other])
        for one, other in zip(_tracklets(body, first), _tracklets(body, later), strict=True)
    ]
    assert np.mean([len(found) == 1 for found in links]) > 0.93


def test_motion_follows_a_great_circle():
    """The way of a day near the pole has the length of the rate and its direction."""
    start = Tracklet(100.0, 30.0, 88.0, 3.0, 4.0, 0.1, 0.01)
    ra, dec = predicted(start, 101.0)
    assert separation_deg(30.0, 88.0, ra, dec) * 3600 == pytest.approx(5 * 1440)
    half = predicted(start, 100.5)
    xi, eta, _ = tangent_plane(*half, 30.0, 88.0)
    assert math.atan2(xi, eta) == pytest.approx(math.atan2(3.0, 4.0))
    assert predicted(Tracklet(0, 0.0, 0.0, 0.0, 0.0, 1, 1), 1.0) == (0.0, 0.0)
    assert math.isnan(predicted(start, 1e5)[0])


def test_the_search_area_grows_with_time_and_nearness():
    """At 1 au and a day it is 28 and 15 arcsec in quadrature; faster objects are nearer."""
    place, _ = rate_change(0.5, 1.0)
    assert place == pytest.approx(math.hypot(27.7, 15.3), rel=0.01)
    assert rate_change(0.5, 3.0)[0] > 3 * place
    assert rate_change(5.0, 1.0)[0] == pytest.approx(10 * place)


def test_unlike_tracklets_are_not_linked():
    """Another rate, another place, or the same night is no link."""
    one = Tracklet(10.0, 50.0, 10.0, 0.5, 0.1, 0.2, 0.003)
    ra, dec = predicted(one, 11.0)
    same = Tracklet(11.0, ra, dec, 0.51, 0.1, 0.2, 0.003)
    (link,) = link_nights([same, one])
    assert (link.earlier, link.later) == (1, 0)
    assert link.residual_arcsec < 1e-6 and link.chi2 < 1 and link.chance < 0.01
    assert link_nights([one, Tracklet(11.0, ra, dec, -0.5, 0.1, 0.2, 0.003)]) == []
    assert link_nights([one, Tracklet(11.0, ra, dec + 0.1, 0.5, 0.1, 0.2, 0.003)]) == []
    assert link_nights([one, Tracklet(10.1, 50.0, 10.0, 0.5, 0.1, 0.2, 0.003)]) == []
    assert link_nights([one, Tracklet(30.0, ra, dec, 0.5, 0.1, 0.2, 0.003)]) == []
