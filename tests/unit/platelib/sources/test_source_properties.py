import math

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord

from platelib.astrometry.tan_sip import SkyMap
from platelib.sources.source_properties import magnitudes, position_angles, ranks


def test_magnitudes_with_and_without_a_zero_point():
    """Without a zero point magnitudes are instrumental; no light has none. Error: Pogson's law."""
    flux, error = np.array([100.0, 1.0, -3.0]), np.array([1.0, 0.1, 1.0])
    value, spread = magnitudes(flux, error, 25.0)
    np.testing.assert_allclose(value, [20.0, 25.0, np.nan])
    np.testing.assert_allclose(spread[:2], [0.0109, 0.1086], atol=1e-4)
    assert magnitudes(flux, error, math.nan)[0][0] == pytest.approx(-5.0)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn", [0.0, 63.0, 200.0])
def test_position_angles_agree_with_astropy(turn, mirrored):
    """An angle on a turned grid is the position angle that astropy has for two of its places."""
    cos, sin, step = math.cos(math.radians(turn)), math.sin(math.radians(turn)), 2.0 / 3600
    flip = 1 if mirrored else -1
    sky_map = SkyMap(
        12.0, -48.0, 500.0, 400.0, (flip * step * cos, step * sin, -flip * step * sin, step * cos)
    )
    x, y, angle = np.array([500.0, 480.0]), np.array([400.0, 420.0]), np.array([17.0, 130.0])
    ends = []
    for sign in (0, 1):
        way = np.radians(angle)
        ends.append(sky_map.sky(x + sign * np.cos(way), y + sign * np.sin(way)))
    one, other = (SkyCoord(ra * u.deg, dec * u.deg) for ra, dec in ends)
    theirs = one.position_angle(other).deg % 180
    np.testing.assert_allclose(position_angles(x, y, angle, sky_map), theirs, atol=0.02)


def test_angles_where_the_field_is_not_placed():
    """Then they are counted from +y towards -x, which is north to east on the usual grid."""
    angle = np.array([90.0, 0.0, 135.0])
    np.testing.assert_allclose(position_angles(angle, angle, angle, None), [0.0, 90.0, 45.0])


def test_ranks_are_by_signal_and_inside_comes_last():
    """The strongest is first; what lies in another source follows; faint and others get none."""
    chosen = np.array([True, True, False, True, True])
    snr = np.array([50.0, 80.0, 500.0, 4.0, 300.0])
    inside = np.array([False, False, False, False, True])
    assert ranks(chosen, snr, inside).tolist() == [2, 1, 0, 0, 3]
