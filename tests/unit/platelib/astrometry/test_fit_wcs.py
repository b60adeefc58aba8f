"""The fit against astropy's, which serves as oracle."""

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.wcs.utils import fit_wcs_from_points

from platelib.astrometry.fit_wcs import fit_map
from platelib.astrometry.tan_sip import SkyMap

SHAPE = (800, 1200)
TRUE = SkyMap(
    *(201.3, 61.2, 599.5, 399.5, (4.1e-4, 2.0e-4, 2.0e-4, -4.1e-4), 3),
    np.array([0, 0, 0, 3e-6, -1e-6, 2e-6, 8e-9, 0, 8e-9, 0.0]),
    np.array([0, 0, 0, 1e-6, 2e-6, -2e-6, 0, 8e-9, 0, 8e-9]),
)


def _stars(noise_px, count=150, sky_map=TRUE):
    rng = np.random.default_rng(6)
    xy = rng.uniform(0, 1, (count, 2)) * np.array(SHAPE[::-1])
    ra, dec = sky_map.sky(*xy.T)
    return xy + rng.normal(0, noise_px, xy.shape), ra, dec


@pytest.mark.parametrize("degree", [1, 3])
def test_fit_agrees_with_that_of_astropy(degree):
    """Both fits of the same noisy stars put the field on the same places within 0.03 px."""
    sky_map = TRUE if degree == 3 else SkyMap(TRUE.ra, TRUE.dec, TRUE.x, TRUE.y, TRUE.cd)
    xy, ra, dec = _stars(0.05, sky_map=sky_map)
    ours = fit_map(xy, ra, dec, np.ones(len(xy)), degree, SHAPE)
    places = SkyCoord(ra, dec, unit="deg")
    theirs = fit_wcs_from_points(
        *(xy.T, places),
        proj_point=SkyCoord(ours.ra, ours.dec, unit="deg"),
        projection="TAN",
        sip_degree=degree if degree > 1 else None,
    )
    y, x = (p.ravel() for p in np.mgrid[20:780:9j, 20:1180:9j])
    there = SkyCoord(*theirs.all_pix2world(x, y, 0), unit="deg")
    miss = SkyCoord(*ours.sky(x, y), unit="deg").separation(there).arcsec
    assert miss.max() / ours.scale_arcsec < 0.03


def test_map_without_noise_is_found_exactly():
    """Without noise, the map leads to every star within 1e-4 px."""
    xy, ra, dec = _stars(0.0)
    found = fit_map(xy, ra, dec, np.ones(len(xy)), 3, SHAPE)
    x, y = found.pixels(ra, dec)
    assert np.hypot(x - xy[:, 0], y - xy[:, 1]).max() < 1e-4
    assert (found.x, found.y) == (599.5, 399.5)


@pytest.mark.parametrize(("ra", "dec"), [(0.001, 12.0), (77.0, 89.9)])
def test_fit_across_0_h_and_beside_a_pole(ra, dec):
    """Neither the jump of right ascension nor the pole harms a fit."""
    true = SkyMap(ra, dec, 599.5, 399.5, TRUE.cd)
    xy, ra_stars, dec_stars = _stars(0.0, sky_map=true)
    found = fit_map(xy, ra_stars, dec_stars, np.ones(len(xy)), 1, SHAPE)
    x, y = found.pixels(ra_stars, dec_stars)
    assert np.hypot(x - xy[:, 0], y - xy[:, 1]).max() < 1e-4
