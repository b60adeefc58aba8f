import known_orbits
import numpy as np
import pytest

from platelib.orbits.conics import conics
from platelib.orbits.constants import M_PER_AU
from platelib.orbits.elements import Brightness, Orientation, elements_by_perihelion
from platelib.orbits.ephemeris import directions, ephemeris
from platelib.orbits.observer import Site, observer


def encke():
    """Return Meeus's elements of comet Encke, example 33.b."""
    axis, e = 2.2091404, 0.8502196
    perihelion = 2448192.5 + 0.54502  # 1990 October 28.54502 TD
    return elements_by_perihelion(
        ["2P"],
        np.nan,
        perihelion,
        axis * (1 - e),
        e,
        Orientation(11.94524, 334.75006, 186.23352),
        Brightness(np.nan, np.nan, True),
    )


def test_comet_encke_is_where_meeus_has_it():
    """Meeus (1998), Astronomical Algorithms, example 33.b: 10h34m14.2s, +19d09'31", 0.8244 au.

    The book's planetary theory of the Sun differs by 0.0001 au from that used here.
    """
    tt = 2448170.5  # 1990 October 6.0 TD
    seen = ephemeris(conics(encke()), encke(), observer(tt - 57.2 / 86400))
    assert (seen.ra_deg[0] / 15 - 10 - 34 / 60) * 3600 == pytest.approx(14.2, abs=0.1)
    assert (seen.dec_deg[0] - 19 - 9 / 60) * 3600 == pytest.approx(31, abs=1.0)
    assert seen.distance_au[0] == pytest.approx(0.8243, abs=2e-4)


def test_ceres_is_within_the_error_of_two_body_motion():
    """17 days from its epoch, Ceres is within 0.2 arcsec of its place by JPL."""
    utc, ra, dec, distance = known_orbits.CERES_PLACE
    elements = known_orbits.ceres(2459000.5)
    seen = ephemeris(conics(elements), elements, observer(utc))
    assert abs(seen.ra_deg[0] - ra) * np.cos(np.deg2rad(dec)) * 3600 < 0.2
    assert abs(seen.dec_deg[0] - dec) * 3600 < 0.2
    assert seen.distance_au[0] == pytest.approx(distance, abs=1e-6)
    assert seen.magnitude[0] == pytest.approx(8.7, abs=0.3)


@pytest.mark.parametrize("site", [None, Site(150.0, 35.0, 500.0)])
def test_rates_are_the_changes_of_places(site):
    """Rates equal the difference of places 2 minutes apart; the site's motion is in."""
    elements = known_orbits.main_belt(np.random.default_rng(7), 200)
    orbits = conics(elements)
    seen_from = observer(2461010.5 + np.array([-1, 0, 1]) / 1440, site)
    early, now, late = (ephemeris(orbits, elements, seen_from, k) for k in range(3))
    turn = (late.ra_deg - early.ra_deg + 180) % 360 - 180
    east = turn * np.cos(np.deg2rad(now.dec_deg)) * 3600 / 2
    north = (late.dec_deg - early.dec_deg) * 3600 / 2
    np.testing.assert_allclose(now.rate_ra, east, atol=2e-5)
    np.testing.assert_allclose(now.rate_dec, north, atol=2e-5)
    angle = np.deg2rad(now.position_angle_deg)
    np.testing.assert_allclose(now.rate * np.sin(angle), now.rate_ra, atol=1e-12)


def test_directions_are_the_places():
    """The fast directions equal the places of the ephemeris."""
    elements = known_orbits.main_belt(np.random.default_rng(8), 300)
    seen = ephemeris(conics(elements), elements, observer(2461010.5))
    toward = directions(conics(elements), observer(2461010.5))
    np.testing.assert_allclose(np.rad2deg(np.arcsin(toward[2])), seen.dec_deg, atol=1e-9)


def test_parallax_is_the_earth_seen_from_the_body():
    """From a site, the place shifts by at most the Earth's radius over the distance."""
    elements = known_orbits.main_belt(np.random.default_rng(9), 400)
    orbits, utc = conics(elements), 2461010.5
    toward = [directions(orbits, observer(utc, site)) for site in (None, Site(0.0, 0.0))]
    distance = ephemeris(orbits, elements, observer(utc)).distance_au
    shift = np.linalg.norm(toward[0] - toward[1], axis=0)
    largest = 6378137.0 / M_PER_AU / distance
    assert np.all(shift <= largest * 1.001)
    assert np.max(shift / largest) > 0.95
