import numpy as np
import pytest
from astropy import units
from astropy.coordinates import get_body_barycentric, solar_system_ephemeris
from astropy.time import Time

from platelib.orbits import planets

JD = 2460300.25
NAMES = ("mercury", "venus", "mars", "jupiter", "saturn", "uranus", "neptune")


def heliocentric(name):
    """Return a place by astropy's built-in ephemeris, au."""
    time = Time(JD, format="jd", scale="tdb")
    with solar_system_ephemeris.set("builtin"):
        body, sun = (get_body_barycentric(one, time) for one in (name, "sun"))
    return (body - sun).xyz.to_value(units.au)


@pytest.mark.parametrize(
    ("row", "name"),
    list(enumerate(NAMES)),
)
def test_planets_are_those_of_a_general_library(row, name):
    """Places of the perturbers equal astropy's built-in ephemeris, each in its row."""
    np.testing.assert_allclose(planets.perturbers(JD)[row], heliocentric(name), atol=2e-7)


def test_earth_and_moon_have_their_rows():
    """The Earth is that of astropy, the Moon is 0.0024 to 0.0028 au from it, 81 times lighter."""
    places = planets.perturbers(JD)
    np.testing.assert_allclose(places[7], heliocentric("earth"), atol=1e-9)
    np.testing.assert_allclose(planets.earth(JD)[0], places[7])
    assert 0.0023 < np.linalg.norm(places[8] - places[7]) < 0.0028
    assert planets.PERTURBER_MASSES[7] / planets.PERTURBER_MASSES[8] == pytest.approx(
        81.3, abs=0.01
    )
