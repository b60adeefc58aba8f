"""The weighted mean of the subs of a frame."""

import numpy as np
import pytest

from platelib.blink.frame_mean import FrameMean


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_mean_of_one_image_is_the_image_bit_for_bit(seed):
    """Whatever the weight; gaps stay."""
    rng = np.random.default_rng(seed)
    image = rng.normal(3, 100, (13, 17)).astype(np.float32)
    image[4, 5] = np.nan
    for weight in (1.0, 0.3712, 1e-3):
        mean = FrameMean(image.shape)
        mean.add(image, weight)
        np.testing.assert_array_equal(mean.mean, image)


def test_a_pixel_is_the_mean_of_the_images_that_have_it():
    """As numpy's average over unmasked pixels."""
    rng = np.random.default_rng(4)
    images = rng.normal(0, 1, (5, 12, 9)).astype(np.float32)
    images[rng.random(images.shape) < 0.3] = np.nan
    images[:, 2, 3] = np.nan
    weights = rng.uniform(0.1, 1, 5)
    mean = FrameMean((12, 9))
    for image, weight in zip(images, weights, strict=True):
        mean.add(image, weight)
    expected = np.ma.average(np.ma.masked_invalid(images.astype(float)), axis=0, weights=weights)
    np.testing.assert_allclose(mean.mean, expected.filled(np.nan), rtol=1e-6)
    assert np.isnan(mean.mean[2, 3])


def test_a_weight_of_nothing_is_refused():
    """A sub without weight is no part of a mean."""
    for weight in (0.0, -1.0, float("nan")):
        with pytest.raises(ValueError, match="must be above 0"):
            FrameMean((2, 3)).add(np.zeros((2, 3), np.float32), weight)
