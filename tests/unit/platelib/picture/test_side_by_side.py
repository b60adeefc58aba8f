import numpy as np
import pytest
from array_rows import ArrayRows, DisplayArray

from platelib.picture import side_by_side
from platelib.picture.reduced import shrunk
from platelib.picture.side_by_side import Blend, Grey, display_panels, linear_panels
from platelib.picture.stretch import Look

LOOK = Look(sky_level=0.1, black_sigma=2.5, white_clip_fraction=0.0005)


@pytest.fixture
def planes():
    """Noise with a bright patch, three planes of one size that is not square."""
    planes = np.random.default_rng(2).normal(1, 0.1, (3, 60, 90)).astype(np.float32)
    planes[:, 20:25, 30:40] += 50
    return planes


def test_equal_images_have_equal_panels_and_a_grey_difference(planes):
    """Nothing differs, and the limit says so."""
    found = linear_panels(ArrayRows(planes), ArrayRows(planes.copy()), LOOK)
    np.testing.assert_array_equal(found.first, found.second)
    assert np.all(found.difference == 0.5)
    assert found.limit == 0
    assert found.first.shape == (60, 90, 3)
    assert found.first.min() >= 0
    assert found.first.max() <= 1


def test_both_images_are_stretched_by_the_curve_of_the_first(planes):
    """A brighter second image is brighter in its panel: it has no stretch of its own."""
    found = linear_panels(ArrayRows(planes), ArrayRows(planes + np.float32(0.5)), LOOK)
    assert np.median(found.second) > np.median(found.first) + 0.05
    alone = linear_panels(ArrayRows(planes), ArrayRows(planes), LOOK)
    np.testing.assert_array_equal(found.first, alone.first)


def test_brighter_is_white_and_fainter_is_black(planes):
    """The sign of the difference is that of second less first, in each colour by itself."""
    other = planes.copy()
    other[0, 5, 7] += 2
    other[2, 8, 9] -= 2
    found = linear_panels(ArrayRows(planes), ArrayRows(other), LOOK)
    assert found.limit == pytest.approx(2, rel=1e-5)
    assert found.difference[5, 7] == pytest.approx([1, 0.5, 0.5], abs=1e-6)
    assert found.difference[8, 9] == pytest.approx([0.5, 0.5, 0], abs=1e-6)


def test_one_plane_is_shown_in_grey(planes):
    """A channel has three equal colours, and pixels without data are black."""
    channel = planes[:1].copy()
    channel[0, 0, 0] = np.nan
    found = linear_panels(ArrayRows(channel), ArrayRows(channel), LOOK)
    assert np.all(found.first[..., :1] == found.first)
    assert np.all(found.first[0, 0] == 0)


def test_large_images_are_averaged(monkeypatch, planes):
    """A panel is at most as wide as wanted; a pixel of it is the mean of a square."""
    monkeypatch.setattr(side_by_side, "WIDEST_PX", 40)
    display = np.clip(planes * 1000, 0, 65535).astype(np.uint16)
    picture = DisplayArray(np.moveaxis(display, 0, -1))
    found = display_panels(picture, picture)
    assert found.factor == 3
    assert found.first.shape == (20, 30, 3)
    assert found.first[4, 7, 1] == pytest.approx(display[1, 12:15, 21:24].mean() / 65535)
    assert shrunk(planes[:, :59, :89], 3).shape == (3, 19, 29)


def test_a_blend_is_white_where_both_shine():
    """The other image is red, the picture green and blue, by its luminance; alone it is grey."""
    picture = np.zeros((2, 3, 3), np.uint16)
    picture[0] = 40000
    picture[1, :, 1] = 10000
    other = np.array([[40000, 0, 7], [50000, 0, 7]], np.uint16)
    covered = np.array([[True, True, False]] * 2)
    mixed = Blend(DisplayArray(picture), other, covered).rows(0, 2)
    assert (Grey(other).rows(1, 2) == other[1][None, :, None]).all()
    assert mixed.dtype == np.uint16
    assert mixed[0].tolist() == [[40000] * 3, [0, 40000, 40000], [40000] * 3]
    grey = round(0.7152 * 10000)
    assert mixed[1].tolist() == [[50000, grey, grey], [0, grey, grey], [grey] * 3]
