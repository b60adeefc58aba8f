import numpy as np
import pytest
from astropy.wcs import WCS

from platefiles.astrometry.solution import world_cards
from platelib.astrometry.fit_wcs import inverse_terms
from platelib.astrometry.tan_sip import SkyMap

SHAPE = (700, 1100)
CD = (-6.1e-4, 2.2e-4, 2.1e-4, 6.0e-4)


def _bent(degree, seed=3):
    rng = np.random.default_rng(seed)
    count = (degree + 1) * (degree + 2) // 2
    a, b = np.zeros((2, count))
    k = 3
    for order in range(2, degree + 1):
        for _ in range(order + 1):
            a[k], b[k] = rng.normal(0, 2.0 / 600**order, 2)
            k += 1
    return SkyMap(83.2, -71.5, 549.5, 349.5, CD, degree, a, b)


def _wcs(sky_map):
    from astropy.io import fits

    header = fits.Header([card for card in world_cards(sky_map, SHAPE)])
    header.insert(0, ("NAXIS", 2))
    header.insert(1, ("NAXIS1", SHAPE[1]))
    header.insert(2, ("NAXIS2", SHAPE[0]))
    return WCS(header)


@pytest.mark.parametrize("degree", [1, 2, 3, 4])
def test_astropy_reads_the_cards_as_the_same_map(degree):
    """Pixel to sky and back is what astropy makes of the header, to 1e-10 degree and 1e-6 px."""
    sky_map = SkyMap(83.2, -71.5, 549.5, 349.5, CD) if degree == 1 else _bent(degree)
    x, y = np.random.default_rng(4).uniform(0, 1, (2, 300)) * np.array(SHAPE[::-1])[:, None]
    ra, dec = sky_map.sky(x, y)
    expected = _wcs(sky_map).all_pix2world(x, y, 0)
    np.testing.assert_allclose((ra, dec), expected, atol=1e-10)
    np.testing.assert_allclose(sky_map.pixels(ra, dec), (x, y), atol=1e-6)


def test_inverse_polynomials_lead_back():
    """AP and BP, evaluated as readers without iteration do, lead back within 0.01 px."""
    sky_map = _bent(3)
    wcs = _wcs(sky_map)
    assert wcs.sip.ap_order == 5
    assert set(inverse_terms(sky_map, SHAPE)) > {"AP_0_0", "AP_1_0", "BP_0_4"}
    y, x = (p.ravel() for p in np.mgrid[0:699:20j, 0:1099:20j])
    straight = wcs.wcs_world2pix(*sky_map.sky(x, y), 0)
    back = wcs.sip_foc2pix(straight[0] - sky_map.x, straight[1] - sky_map.y, 1)
    assert np.hypot(back[0] - 1 - x, back[1] - 1 - y).max() < 0.01


def test_orientation_is_told():
    """North, mirroring and scale of a map that is turned by 30 degrees."""
    turn, step = np.deg2rad(30.0), 1.5 / 3600
    cd = (-step * np.cos(turn), step * np.sin(turn), step * np.sin(turn), step * np.cos(turn))
    plain = SkyMap(10.0, 20.0, 0.0, 0.0, cd)
    assert plain.scale_arcsec == pytest.approx(1.5)
    assert not plain.is_mirrored
    north = plain.pixels(*plain.sky(0.0, 0.0))
    x, y = plain.pixels(10.0, 20.01)
    assert np.rad2deg(np.arctan2(x - north[0], y - north[1])) == pytest.approx(
        plain.north_deg, abs=1e-6
    )
    mirrored = SkyMap(10.0, 20.0, 0.0, 0.0, (-cd[0], cd[1], -cd[2], cd[3]))
    assert mirrored.is_mirrored


def test_places_that_a_bent_map_does_not_show_are_nan():
    """Far outside, where polynomials run away, there is no pixel, and no warning."""
    x, y = _bent(4).pixels([83.2, 263.0, 90.0], [-71.5, 71.5, -40.0])
    assert np.isfinite([x[0], y[0]]).all()
    assert np.isnan([x[1:], y[1:]]).all()
