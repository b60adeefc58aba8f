import known_orbits
import numpy as np
import pytest

from platelib.orbits.conics import conics, osculating, two_body
from platelib.orbits.constants import SUN_MU
from platelib.orbits.elements import Brightness, Orientation, elements_by_perihelion


def drawn(rng, count):
    """Draw orbits of all kinds, from circles to hyperbolas."""
    e = np.concatenate(
        [
            np.zeros(3),
            rng.uniform(0, 0.99, count),
            1 + rng.normal(0, 1e-6, count),
            rng.uniform(1, 4, count),
        ]
    )
    angles = Orientation(*(rng.uniform(0, high, e.size) for high in (180, 360, 360)))
    passage = 2460000.5 + rng.uniform(-300, 300, e.size)
    q = 10 ** rng.uniform(-1, 1, e.size)
    return elements_by_perihelion(
        np.full(e.size, "x"), 2460000.5, passage, q, e, angles, Brightness(10, 0.15)
    )


@pytest.mark.parametrize("seed", [1, 2])
def test_velocity_is_the_change_of_position(seed):
    """Positions half a minute apart differ by the velocity, and the energy is that of the conic."""
    orbits = conics(drawn(np.random.default_rng(seed), 100))
    step = 1 / 2048  # days, exact in binary
    early, now, late = (two_body(orbits, 2460100.5 + k * step) for k in (-1, 0, 1))
    np.testing.assert_allclose(
        (late.position - early.position) / (2 * step), now.velocity, rtol=1e-4, atol=1e-8
    )
    distance = np.linalg.norm(now.position, axis=0)
    energy = np.sum(now.velocity**2, axis=0) / 2 - SUN_MU / distance
    expected = SUN_MU * (orbits.eccentricity - 1) / (2 * orbits.perihelion_au)
    np.testing.assert_allclose(energy, expected, rtol=1e-10, atol=1e-15)


@pytest.mark.parametrize("seed", [3, 4])
def test_conics_through_states_go_on_as_before(seed):
    """Orbits made of states move on as those that gave the states, for all eccentricities."""
    orbits = conics(drawn(np.random.default_rng(seed), 200))
    again = osculating(two_body(orbits, 2460050.5), 2460050.5)
    far, expected = two_body(again, 2460400.5), two_body(orbits, 2460400.5)
    size = np.linalg.norm(expected.position, axis=0)
    assert np.max(np.linalg.norm(far.position - expected.position, axis=0) / size) < 1e-9


def test_published_elements_meet_the_anomaly_of_their_epoch():
    """At its epoch, Ceres is at the distance a (1 - e cos E), with M = E - e sin E."""
    anomaly, _, _, _, e, axis = known_orbits.CERES_EPOCHS[2459000.5]
    eccentric = np.deg2rad(anomaly)
    for _ in range(50):
        eccentric = np.deg2rad(anomaly) + e * np.sin(eccentric)
    states = two_body(conics(known_orbits.ceres(2459000.5)), 2459000.5)
    assert np.linalg.norm(states.position) == pytest.approx(
        axis * (1 - e * np.cos(eccentric)), rel=1e-12
    )


def test_rows_can_be_chosen():
    """A part of conics has the vectors of its rows."""
    orbits = conics(drawn(np.random.default_rng(5), 4))
    part = orbits.part([2, 5])
    np.testing.assert_array_equal(part.toward_perihelion, orbits.toward_perihelion[:, [2, 5]])
