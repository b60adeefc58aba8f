import math

import numpy as np
import pytest
from astropy.coordinates import Angle
from astropy.wcs import WCS

from platelib.astrometry.tan_sip import SkyMap
from platelib.picture.graticule import (
    declination,
    directions,
    grid_lines,
    right_ascension,
    scale_bar,
)

SHAPE = (700, 900)


def turned(angle_deg, mirrored=False, dec=30.0, scale_arcsec=2.0, ra=158.6):
    """Return a field turned by an angle."""
    cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    step = scale_arcsec / 3600
    flip = 1 if mirrored else -1
    cd = (flip * step * cos, step * sin, -flip * step * sin, step * cos)
    return SkyMap(ra, dec, 449.5, 349.5, cd)


def astropy_wcs(sky_map):
    """Return the same map as astropy has it."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [sky_map.ra, sky_map.dec]
    wcs.wcs.crpix = [sky_map.x + 1, sky_map.y + 1]
    wcs.wcs.cd = np.reshape(sky_map.cd, (2, 2))
    return wcs


@pytest.mark.parametrize(
    ("angle", "dec", "ra"), [(0, 30, 158.6), (37, -60, 0.05), (200, 75, 359.9)]
)
def test_lines_are_where_astropy_has_them(angle, dec, ra):
    """Every point of a meridian has its right ascension, of a parallel its declination."""
    sky_map = turned(angle, dec=dec, ra=ra)
    lines = grid_lines(sky_map, SHAPE)
    assert 2 <= sum(line.is_meridian for line in lines) <= 9
    assert 2 <= sum(not line.is_meridian for line in lines) <= 9
    for line in lines:
        good = np.isfinite(line.x)
        ra_found, dec_found = astropy_wcs(sky_map).pixel_to_world_values(line.x[good], line.y[good])
        unit = "hourangle" if line.is_meridian else "deg"
        label = line.label.replace("°", "d").replace("'", "m").replace('"', "s")
        wanted = Angle(label, unit).deg
        found = ra_found if line.is_meridian else dec_found
        off = (np.asarray(found) - wanted + 180) % 360 - 180
        assert np.abs(off).max() < 1e-9 if not line.is_meridian else np.abs(off).max() < 1e-7


def test_field_with_the_pole():
    """About the pole meridians run to it from all sides, and parallels go round."""
    lines = grid_lines(turned(10, dec=89.95), SHAPE)
    assert sum(line.is_meridian for line in lines) == 12
    assert any(not line.is_meridian for line in lines)


@pytest.mark.parametrize("mirrored", [False, True])
def test_directions(mirrored):
    """North and east are at right angles; the eye sees east left of north unless mirrored."""
    north, east = directions(turned(0, mirrored), 449.5, 349.5)
    np.testing.assert_allclose(north, [0, 1], atol=1e-4)
    np.testing.assert_allclose(east, [1 if mirrored else -1, 0], atol=1e-4)


def test_scale_bar():
    """A bar is a round angle of about a fifth of the width."""
    length, label = scale_bar(2.0, 900)
    assert (length, label) == (150.0, "5'")
    assert scale_bar(0.4, 900)[1] == "1'"
    assert scale_bar(40.0, 900)[1] == "2°"


def test_texts_of_angles():
    """Angles are written as finely as the step needs, with signs, and carry over."""
    assert right_ascension(158.5, 0.25) == "10h34m"
    assert right_ascension(158.5, 1 / 240) == "10h34m00s"
    assert right_ascension(359.9999999, 0.25) == "0h00m"
    assert declination(-0.5, 0.1) == "-0°30'"
    assert declination(30.1666667, 1 / 60) == "+30°10'"
    assert declination(-30.0001, 1.0) == "-30°"
    assert declination(0.0, 1 / 3600) == "+0°00'00\""
