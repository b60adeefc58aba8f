import numpy as np
import pytest

from platelib.picture import image_difference
from platelib.picture.image_difference import PERCENTILES, difference


@pytest.fixture
def image():
    """A seeded image that is not square, with a pixel without data."""
    values = np.random.default_rng(5).normal(100, 10, (30, 41)).astype(np.float32)
    values[3, 7] = np.nan
    return values


def test_an_image_does_not_differ_from_itself(image):
    """Pixels without data are alike, and every statistic is zero."""
    found = difference(image, image.copy())
    assert (found.pixels, found.differing, found.one_sided) == (30 * 41, 0, 0)
    assert (found.mean, found.rms, found.max_abs) == (0, 0, 0)
    assert found.percentiles == (0,) * len(PERCENTILES)
    assert found.share == 0


def test_statistics_are_those_of_second_less_first(image):
    """Mean, rms, extreme and percentiles are those of numpy over the pixels of both."""
    shift = np.random.default_rng(6).normal(2, 3, image.shape).astype(np.float32)
    other = image + shift
    found = difference(image, other)
    wanted = (other.astype(float) - image.astype(float))[np.isfinite(image)]
    assert found.mean == pytest.approx(wanted.mean(), rel=1e-12)
    assert found.rms == pytest.approx(np.sqrt((wanted**2).mean()), rel=1e-12)
    assert found.max_abs == np.abs(wanted).max()
    assert found.percentiles == pytest.approx(np.percentile(wanted, PERCENTILES))
    assert found.differing == np.count_nonzero(wanted)


def test_a_pixel_with_a_value_in_one_image_only_differs(image):
    """It counts among those that differ, and in no other number."""
    other = image.copy()
    other[0, 0], other[3, 7] = np.nan, 5.0
    found = difference(image, other)
    assert (found.differing, found.one_sided) == (2, 2)
    assert found.rms == 0


def test_noise_is_the_unit(image):
    """With a noise, the numbers are in its units, and pixels without noise do not count."""
    noise = np.full(image.shape, 4.0)
    noise[0] = 0.0
    other = image + np.float32(8)
    other[0] = -1e9
    found = difference(image, other, noise)
    assert found.mean == pytest.approx(2, rel=1e-6)
    assert found.max_abs == pytest.approx(2, rel=1e-5)
    assert found.differing == image.size - 1


def test_integers_do_not_wrap():
    """Counts of small types are subtracted as numbers."""
    found = difference(np.array([[0, 255]], np.uint8), np.array([[255, 0]], np.uint8))
    assert (found.max_abs, found.mean, found.differing) == (255, 0, 2)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.int16])
@pytest.mark.parametrize("spread", [3, 200])
def test_integers_are_counted(dtype, spread):
    """Statistics of integers are exactly those of numpy, in the unit of a step."""
    rng, info = np.random.default_rng(2), np.iinfo(dtype)
    first, second = (
        np.clip(rng.normal(100, spread, (57, 83)), info.min, info.max).astype(dtype)
        for _ in range(2)
    )
    found = difference(first, second, unit=0.25)
    wanted = 0.25 * (second.astype(int) - first)
    assert found.percentiles == pytest.approx(np.percentile(wanted, PERCENTILES), abs=1e-12)
    assert found.mean == pytest.approx(wanted.mean(), abs=1e-12)
    assert found.rms == pytest.approx(np.sqrt((wanted**2).mean()), rel=1e-12)
    assert found.max_abs == np.abs(wanted).max()


def test_many_values_have_the_percentiles_of_few(monkeypatch):
    """Counting, from so many values on, finds what numpy finds."""
    rng = np.random.default_rng(3)
    first, second = rng.normal(0, 1, (2, 300, 401)).astype(np.float32)
    found = difference(first, second)
    wanted = np.percentile((second - first).astype(float), PERCENTILES)
    assert found.percentiles == pytest.approx(wanted, rel=1e-6)
    monkeypatch.setattr(image_difference, "_STRIP_PX", 1000)
    strips = difference(first, second)
    assert strips.percentiles == found.percentiles
    assert (strips.mean, strips.rms) == pytest.approx((found.mean, found.rms), rel=1e-12)


def test_images_without_common_data_have_no_statistics():
    """Nothing to compare is NaN, not zero."""
    found = difference(np.full((2, 3), np.nan), np.ones((2, 3)))
    assert found.differing == found.one_sided == 6
    assert np.isnan([found.mean, found.rms, found.max_abs, *found.percentiles]).all()


def test_other_shapes_are_refused():
    """Broadcasting would compare what does not belong together."""
    with pytest.raises(ValueError, match=r"\(2, 3\) and \(3,\)"):
        difference(np.ones((2, 3)), np.ones(3))
