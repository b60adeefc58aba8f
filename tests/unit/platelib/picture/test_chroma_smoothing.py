from functools import partial

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from platelib.picture.chroma_smoothing import TRUSTED_SIGMA, smooth_faint_colour
from platelib.picture.render import mean_plane


@pytest.fixture
def sky():
    """Draw a dark sky whose planes have different noise."""
    rng = np.random.default_rng(9)
    return (rng.normal(0, 1, (3, 90, 120)) * np.array([3, 1, 2])[:, None, None]).astype(np.float32)


def _smooth(planes, radius=2.0):
    sigma = float(np.nanstd(mean_plane(planes)))
    return smooth_faint_colour(planes, (0, planes.shape[1]), 0.0, sigma, radius)


def _by_scipy(planes, sigma, radius):
    """Do the same with `scipy.ndimage.gaussian_filter`, whole planes at a time."""
    intensity = mean_plane(planes)
    faint = 1 / (1 + (np.maximum(intensity, 0) / (TRUSTED_SIGMA * sigma)) ** 2)
    blurred = partial(gaussian_filter, sigma=radius, mode="nearest", truncate=3.0)
    own = planes - intensity
    around = np.stack([blurred(plane * faint**2) for plane in own]) / blurred(faint**2)
    return intensity + own + faint * (around - own)


@pytest.mark.parametrize("radius", [0.4, 2.0, 7.3])
def test_it_is_a_weighted_gaussian_mean(sky, radius):
    """Faint and bright pixels, also at the edges of the picture, as scipy's filter has them."""
    sky[:, 30:50, 20:90] += np.array([40, 10, 20], np.float32)[:, None, None]
    sky[:, 2, 0] += np.array([90, 300, 20], np.float32)
    smooth = smooth_faint_colour(sky, (0, 90), 0.0, 1.1, radius)
    np.testing.assert_allclose(smooth, _by_scipy(sky, 1.1, radius), rtol=1e-5, atol=2e-5)


def test_strips_are_parts_of_the_whole(sky):
    """Strips of any height have the same bits as the whole picture."""
    whole = smooth_faint_colour(sky, (0, 90), 0.0, 1.1, 2.0)
    for step in (1, 7, 64):
        strips = [
            smooth_faint_colour(sky, (start, min(start + step, 90)), 0.0, 1.1, 2.0)
            for start in range(0, 90, step)
        ]
        np.testing.assert_array_equal(np.concatenate(strips, axis=1), whole)


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
        smooth_faint_colour(planes, (0, 90), 0.0, 1.3, 2.0) for planes in (starry, sky)
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
