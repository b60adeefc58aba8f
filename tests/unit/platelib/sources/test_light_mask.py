"""The light mask against general libraries, pixel by pixel."""

import numpy as np
import pytest
from scipy.ndimage import convolve, distance_transform_edt, label

from platelib.sources.light_mask import bright_pixels, grown, smoothed_sample
from platelib.sources.sep_extraction import SMOOTHING

SHAPE = (143, 201)
LIMIT = 0.9


@pytest.fixture(scope="module")
def planes():
    """An image on a sloping sky, its noise, and the pixels without data."""
    rng = np.random.default_rng(3)
    sky = np.add.outer(np.arange(72), np.arange(101)).astype(np.float32) / 50
    noise = rng.uniform(0.5, 2, SHAPE).astype(np.float32)
    image = (noise * rng.standard_normal(SHAPE)).astype(np.float32)
    image += np.repeat(np.repeat(sky, 2, 0), 2, 1)[: SHAPE[0], : SHAPE[1]]
    image[40:60, 30:70] += 5
    missing = rng.uniform(size=SHAPE) < 0.05
    missing[:, -4:] = True
    return image, sky, noise, missing


def ratio_of(image, sky, noise, missing):
    """Image less sky in units of the noise, 0 without data."""
    flat = image - np.repeat(np.repeat(sky, 2, 0), 2, 1)[: SHAPE[0], : SHAPE[1]]
    return np.where(missing, 0, flat / noise).astype(np.float64)


@pytest.mark.parametrize("least", [1, 4, 9])
def test_bright_pixels_are_those_of_large_groups(planes, least):
    """They are the pixels above the limit after smoothing, in groups that are large enough."""
    smooth = convolve(ratio_of(*planes), SMOOTHING.astype(float), mode="constant")
    above = (smooth > LIMIT) & ~planes[3]
    groups, _ = label(above, np.ones((3, 3)))
    expected = above & (np.bincount(groups.ravel())[groups] >= least)
    found = bright_pixels(*planes, LIMIT, least)
    doubtful = np.abs(smooth - LIMIT) < 1e-5
    assert not doubtful.any()
    assert 800 < expected.sum() < 0.5 * expected.size
    np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize("radius", [1, 3])
def test_light_is_grown_by_a_disc(planes, radius):
    """Pixels within the radius and half a pixel of bright ones are light, at the edges too."""
    bright = np.random.default_rng(2).uniform(size=SHAPE) < 0.01
    bright[0, 0] = bright[-1, 5] = True
    near = distance_transform_edt(~bright) <= radius + 0.5
    # A disc of half a pixel more has no pixel beyond the radius along rows and columns.
    np.testing.assert_array_equal(grown(bright, radius), near)


def test_sample_is_every_nth_smoothed_pixel(planes):
    """The sample is that of the image smoothed as a whole, without pixels that have no data."""
    smooth = convolve(ratio_of(*planes), SMOOTHING.astype(float), mode="nearest")
    expected = smooth[~planes[3]]
    for step in (1, 7, 500):
        np.testing.assert_allclose(smoothed_sample(*planes, step), expected[::step], atol=1e-5)
    whole = planes[0], planes[1], planes[2], np.zeros(SHAPE, dtype=bool)
    expected = convolve(ratio_of(*whole), SMOOTHING.astype(float), mode="nearest").ravel()
    np.testing.assert_allclose(smoothed_sample(*whole, 333), expected[::333], atol=1e-5)
