import numpy as np
import pytest
from astroscrappy.astroscrappy import update_mask

from platelib.cosmic_rays.exclusion_mask import not_judged, shielded
from platelib.detection.star_table import FLAG_SHAPE, STAR
from platelib.numerics.mask_bits import BAD, SATURATED

SHAPE = (70, 93)


@pytest.mark.parametrize("saturation", [np.inf, 5000.0])
def test_silent_pixels_are_those_of_the_library(saturation):
    """Grown bad pixels and saturated cores, at the edges too, equal those of the library."""
    rng = np.random.default_rng(1)
    y, x = np.indices(SHAPE)
    image = rng.normal(300, 10, SHAPE).astype(np.float32)
    for v, u in ((30, 40), (2, 20), (69, 92), (50, 1)):
        image += 20000 * np.exp(-np.hypot(y - v, x - u) / 3).astype(np.float32)
    image[40, 60:64] = 9000  # a particle saturates pixels, too
    bad = (rng.random(SHAPE) < 0.01) | (x == 70) | (y == 69)
    wanted = bad.astype(np.uint8)
    update_mask(image, wanted, saturation, True)
    mask = np.where(bad, BAD, 0) | np.where(image >= saturation, SATURATED, 0)
    found = not_judged(image, mask.astype(np.uint8), saturation)
    np.testing.assert_array_equal(found, wanted)
    assert found[30, 40] == np.isfinite(saturation)
    assert found[40, 61] == 0


def _stars(*places, flags=0):
    stars = np.zeros(len(places), dtype=STAR)
    stars["x"], stars["y"] = np.array(places).reshape(-1, 2).T
    stars["fwhm"], stars["flags"] = 4.0, flags
    return stars


def test_edges_and_stars_are_shielded():
    """Five pixels along the edges and a disc of 0.7 FWHM round each star become bad."""
    mask = np.zeros(SHAPE, dtype=np.uint8)
    mask[20, 30] = SATURATED
    shield = shielded(mask, _stars((40.3, 33.8), (91.0, 30.0)))
    y, x = np.indices(SHAPE)
    inside = (x >= 5) & (x < 88) & (y >= 5) & (y < 65)
    wanted = ~inside | (np.hypot(x - 40.3, y - 33.8) <= 2.8) | (np.hypot(x - 91, y - 30) <= 2.8)
    np.testing.assert_array_equal(shield & BAD != 0, wanted)
    np.testing.assert_array_equal(shield & SATURATED, mask)
    assert mask.max() == SATURATED


def test_what_looks_unlike_a_star_is_not_shielded():
    """A detection of odd shape may be a track: nothing is kept from the search on its account."""
    mask = np.zeros(SHAPE, dtype=np.uint8)
    alone = shielded(mask, _stars())
    np.testing.assert_array_equal(shielded(mask, _stars((40, 34), flags=FLAG_SHAPE)), alone)
