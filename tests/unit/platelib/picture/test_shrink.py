"""Smaller pictures."""

import numpy as np
import pytest

from platelib.colour.srgb import decode, encode
from platelib.picture.shrink import PixelArray, shrunk_to


def test_a_smaller_picture_has_the_same_light():
    """Made smaller, a picture keeps its mean light, its shape, and its even parts."""
    pixels = np.full((90, 150, 3), 9000, np.uint16)
    pixels[30:40, 50:60] = [60000, 20000, 0]
    small = shrunk_to(PixelArray(pixels), 50).rows(0, 30)
    assert small.shape == (30, 50, 3)
    light = [decode(one / 65535).mean(axis=(0, 1)) for one in (pixels, small)]
    np.testing.assert_allclose(light[1], light[0], rtol=1e-3)
    assert (small[:5] == 9000).all()
    checks = np.zeros((20, 40, 3), np.uint16)
    checks[::2, ::2] = checks[1::2, 1::2] = 65535
    half = encode(np.array(0.5)) * 65535
    assert np.abs(shrunk_to(PixelArray(checks), 20).rows(0, 10).astype(float) - half).max() < 2


@pytest.mark.parametrize("longest_px", [None, 150, 4000])
def test_a_picture_is_never_enlarged(longest_px):
    """Without a size, or with one that is not smaller, the picture is as it is."""
    pixels = np.random.default_rng(1).integers(0, 65535, (90, 150, 3)).astype(np.uint16)
    picture = PixelArray(pixels)
    assert shrunk_to(picture, longest_px) is picture
