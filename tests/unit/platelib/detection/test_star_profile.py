import numpy as np
import pytest

from platelib.background.measure_mesh import sky_mesh
from platelib.detection.star_finder import find_stars
from platelib.detection.star_profile import StarProfile, fitted_profile, usual_profile
from platelib.detection.star_table import CORE_SHARE
from platelib.simulate.psf import add_stars, moffat_image

SHAPE = (360, 521)
APERTURE_FWHM = 2.5


def _measured(fwhm, beta):
    """Median width, aperture, concentration and share of the light of stars without noise."""
    rng = np.random.default_rng(1)
    x, y = (p.ravel() for p in np.meshgrid(np.arange(60, 480, 80.0), np.arange(60, 320, 80.0)))
    image = np.full(SHAPE, 100, dtype=np.float32)
    x, y = x + rng.uniform(-2, 2, x.size), y + rng.uniform(-2, 2, y.size)
    add_stars(image, x, y, 1e6, moffat_image(fwhm, beta, radius_px=40))
    image += rng.normal(0, 1, SHAPE).astype(np.float32)
    mask = np.zeros(SHAPE, dtype=np.uint8)
    stars = find_stars(image, mask, sky_mesh(image, 64), 6.0, APERTURE_FWHM, 100)
    assert len(stars) == x.size
    width = float(np.median(stars["fwhm"]))
    radius = min(max(APERTURE_FWHM * width, 3.0), 20.0)
    concentration = float(np.median(stars["core"] / stars["flux"]))
    return width, radius, concentration, float(np.median(stars["flux"])) / 1e6


@pytest.mark.parametrize("fwhm", [1.6, 2.4, 4.0, 6.0])
@pytest.mark.parametrize("beta", [2.5, 3.3, 5.0, 50.0])
def test_an_aperture_with_its_profile_tells_all_light(fwhm, beta):
    """What the profile says that an aperture misses is missing, within 0.15 % of the star."""
    width, radius, concentration, share = _measured(fwhm, beta)
    profile = fitted_profile(width, (CORE_SHARE * radius, radius), concentration, 1e-4)
    assert profile.share(radius) == pytest.approx(share, abs=1.5e-3)
    assert profile.fwhm == pytest.approx(fwhm, rel=0.12)


def test_few_stars_leave_the_usual_profile():
    """A concentration that is not known leaves the slope that is known from elsewhere."""
    radii = (3.2, 8.0)
    assert fitted_profile(3.2, radii, 0.5, 10.0, 0.4).slope == pytest.approx(0.4, abs=0.01)
    usual = fitted_profile(3.2, radii, 0.9, 10.0)
    assert usual.slope == pytest.approx(usual_profile(3.2).slope, abs=0.01)


@pytest.mark.parametrize("slope", [0.08, 0.3, 0.4])
def test_light_in_apertures_beside_a_star(slope):
    """Shares equal the sum over a fine image of the profile, within 0.5 % of the star's light."""
    profile, radius = StarProfile(3.0, slope), 7.0
    step = 0.1
    y, x = np.mgrid[-60:60:step, -60:60:step]
    light = (1 + (x**2 + y**2) / profile.core_px**2) ** (-1 / slope)
    light *= step**2 * (1 / slope - 1) / (np.pi * profile.core_px**2)
    distance = np.array([0.5, 3.0, 6.0, 8.0, 12.0, 20.0, 47.0])
    expected = [light[np.hypot(x - d, y) < radius].sum() for d in distance]
    np.testing.assert_allclose(profile.share_beside(distance, radius), expected, atol=5e-3)
    assert profile.share(radius) == pytest.approx(light[np.hypot(x, y) < radius].sum(), abs=1e-3)
