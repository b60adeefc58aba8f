import numpy as np
import pytest

from platelib.bad_pixels.interpolate import interpolate_bad_pixels
from platelib.calibration.calibrate import calibrate
from platelib.numerics.mask_bits import BAD, SATURATED

SHAPE = (61, 83)


def _mended(image: np.ndarray, mask: np.ndarray) -> np.ndarray:
    image, mask = np.ascontiguousarray(image).copy(), np.ascontiguousarray(mask)
    interpolate_bad_pixels(image, mask)
    return image


def _bad_places(seed: int):
    rng = np.random.default_rng(seed)
    image = rng.normal(100, 10, SHAPE).astype(np.float32)
    mask = (rng.random(SHAPE) < 0.15).astype(np.uint8)
    mask[:, 30:32] = BAD
    mask[20:25, 50:55] = BAD
    image[mask != 0] = 1e6
    return image, mask


def test_mending_does_not_depend_on_the_order():
    """Mending a mirrored or transposed image gives the mirrored or transposed result."""
    image, mask = _bad_places(7)
    straight = _mended(image, mask)
    for turn in (np.flipud, np.fliplr, np.transpose, lambda a: np.rot90(a, 2)):
        np.testing.assert_allclose(_mended(turn(image), turn(mask)), turn(straight), rtol=1e-6)


def test_mended_pixels_are_means_of_good_neighbours():
    """A bad pixel gets the mean of its good neighbours, or 0; others stay as they are."""
    image, mask = _bad_places(8)
    interpolated = _mended(image, mask)
    np.testing.assert_array_equal(interpolated[mask == 0], image[mask == 0])
    assert interpolated[22, 52] == 0
    for y, x in np.argwhere(mask)[::17]:
        for reach in (1, 2):
            box = np.s_[max(0, y - reach) : y + reach + 1, max(0, x - reach) : x + reach + 1]
            good = image[box][mask[box] == 0]
            if good.size:
                assert interpolated[y, x] == pytest.approx(good.mean(dtype=np.float64), rel=1e-6)
                break


def test_mending_leaves_saturated_pixels():
    """A pixel that is saturated but not bad is not filled."""
    image = np.full((7, 9), 100, dtype=np.float32)
    image[3, 4] = 6e4
    mask = np.zeros((7, 9), dtype=np.uint8)
    mask[3, 4] = SATURATED
    assert _mended(image, mask)[3, 4] == 6e4


def test_mending_removes_what_is_missing():
    """No NaN is left where a pixel without data has a good neighbour."""
    raw = np.full(SHAPE, 100, dtype=np.float32)
    raw[10, 10:20] = np.nan
    electrons, _, mask = calibrate(raw)
    np.testing.assert_array_equal(_mended(electrons, mask), np.full(SHAPE, 100, np.float32))
