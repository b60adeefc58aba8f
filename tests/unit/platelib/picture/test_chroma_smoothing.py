import numpy as np
import pytest

from platelib.picture.chroma_smoothing import smooth_faint_colour
from platelib.picture.render import mean_plane


@pytest.fixture
def sky():
    """Draw a dark sky whose planes have different noise."""
    rng = np.random.default_rng(9)
    return (rng.normal(0, 1, (3, 90, 120)) * np.array([3, 1, 2])[:, None, None]).astype(np.float32)


def _smooth(planes, radius=2.0):
    intensity = mean_plane(planes)
    return smooth_faint_colour(planes, intensity, 0.0, float(np.nanstd(intensity)), radius)


def test_brightness_is_kept(sky):
    """The mean of the planes stays what it was in each pixel."""
    np.testing.assert_allclose(mean_plane(_smooth(sky)), mean_plane(sky), atol=2e-6)


def test_noise_of_colour_shrinks(sky):
    """Over the sky the noise of the colours falls at least to a quarter."""
    before = (sky - mean_plane(sky)).std(axis=(1, 2))
    smooth = _smooth(sky)
    after = (smooth - mean_plane(smooth)).std(axis=(1, 2))
    assert (after < before / 4).all()


def test_a_faint_colour_that_spreads_is_kept(sky):
    """A faint wide glow keeps its mean colour."""
    glow = sky + np.array([3, 0, -1.5], np.float32)[:, None, None]
    smooth = _smooth(glow)
    np.testing.assert_allclose(smooth.mean(axis=(1, 2)), glow.mean(axis=(1, 2)), atol=0.05)


def test_a_bright_star_neither_changes_nor_lends_its_colour(sky):
    """A bright red pixel keeps its colour and leaves no halo of it."""
    starry = sky.copy()
    starry[:, 40, 60] += np.array([9e4, 3e4, 1e4], np.float32)
    smooth, plain = (
        smooth_faint_colour(planes, mean_plane(planes), 0.0, 1.3, 2.0) for planes in (starry, sky)
    )
    np.testing.assert_allclose(smooth[:, 40, 60], starry[:, 40, 60], rtol=1e-3)
    ring = np.hypot(*(np.mgrid[:90, :120] - np.array([40, 60])[:, None, None]))
    ring = (ring > 0.5) & (ring < 4)
    np.testing.assert_allclose(smooth[:, ring], plain[:, ring], atol=0.6)


def test_radius_zero_changes_nothing(sky):
    """A radius of zero leaves the planes as they are."""
    np.testing.assert_array_equal(_smooth(sky, 0), sky)


def test_gaps_do_not_spread(sky):
    """A gap stays a gap and takes no other pixel with it."""
    sky[1, 20:25, 30] = np.nan
    smooth = _smooth(sky)
    assert np.isnan(smooth).all(axis=0).sum() == 5
    assert np.isfinite(smooth[:, 10]).all()
