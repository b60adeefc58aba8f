import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.time import Time

from platelib.astrometry.celestial import from_tangent_plane, moved, separation_deg, tangent_plane


def test_separation_agrees_with_astropy_from_milliarcseconds_to_opposite_places():
    """Angles are those of astropy, from 1e-9 degrees to nearly 180."""
    rng = np.random.default_rng(1)
    ra, dec = rng.uniform(0, 360, 200), np.rad2deg(np.arcsin(rng.uniform(-1, 1, 200)))
    ra2, dec2 = (
        ra + 10.0 ** rng.uniform(-9, 2.25, 200),
        np.clip(dec + rng.normal(0, 3, 200), -90, 90),
    )
    expected = SkyCoord(ra, dec, unit="deg").separation(SkyCoord(ra2, dec2, unit="deg")).deg
    np.testing.assert_allclose(separation_deg(ra, dec, ra2, dec2), expected, rtol=1e-9, atol=1e-13)


@pytest.mark.parametrize(("ra0", "dec0"), [(0.2, 3.0), (359.9, -89.5), (158.6, 30.0)])
def test_places_on_the_tangent_plane_lead_back(ra0, dec0):
    """Projection and its inverse undo each other, across 0 h and beside a pole."""
    rng = np.random.default_rng(2)
    xi, eta = rng.uniform(-5, 5, (2, 100))
    ra, dec = from_tangent_plane(xi, eta, ra0, dec0)
    assert ((ra >= 0) & (ra < 360)).all()
    back = tangent_plane(ra, dec, ra0, dec0)
    assert back[2].all()
    np.testing.assert_allclose(back[:2], [xi, eta], atol=1e-11)


def test_the_far_side_of_the_sky_is_not_on_the_plane():
    """What lies behind the plane is told, and is finite."""
    xi, eta, ahead = tangent_plane([10.0, 190.0], [20.0, -20.0], 10.0, 20.0)
    assert ahead.tolist() == [True, False]
    assert np.isfinite([xi, eta]).all()


def test_unknown_positions_stay_unknown():
    """NaN goes in and comes out, without a warning."""
    nan = float("nan")
    assert np.isnan(separation_deg(nan, 0.0, 1.0, 1.0))
    assert not tangent_plane(nan, 1.0, 2.0, 3.0)[2]
    assert np.isnan(moved([10.0, 11.0], 0.0, [nan, 0.0], 0.0, 1.0)[0]).tolist() == [True, False]


def test_proper_motion_agrees_with_astropy():
    """Fast stars, one beside a pole, move as astropy moves them, within a milliarcsecond."""
    ra, dec = np.array([269.45, 10.0, 200.0]), np.array([4.69, 89.2, -60.0])
    pm_ra, pm_dec = np.array([-801.6, 900.0, 0.0]), np.array([10362.4, -300.0, -50.0])
    stars = SkyCoord(
        *(ra * u.deg, dec * u.deg),
        pm_ra_cosdec=pm_ra * u.mas / u.yr,
        pm_dec=pm_dec * u.mas / u.yr,
        distance=10 * u.pc,
        obstime=Time("J2000", scale="tcb"),
    )
    later = stars.apply_space_motion(new_obstime=Time("J2026", scale="tcb"))
    found = moved(ra, dec, pm_ra, pm_dec, 26.0)
    miss = SkyCoord(*found, unit="deg").separation(SkyCoord(later.ra, later.dec))
    assert miss.max().arcsec < 1e-3
