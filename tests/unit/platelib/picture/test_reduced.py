import numpy as np
import pytest
from array_rows import ArrayRows, DisplayArray

from platelib.bad_pixels.inpaint import inpaint_gaps
from platelib.colour.grey_sky import levels_of_light
from platelib.colour.srgb import decode, encode
from platelib.picture import reduced as module
from platelib.picture.pixels import PixelArray
from platelib.picture.reduced import (
    reduced,
    reduced_light,
    reduced_without_gaps,
    shrunk,
    shrunk_to,
)


@pytest.fixture(autouse=True)
def short_strips(monkeypatch):
    """Make strips of a few rows, so that gaps lie across their edges."""
    monkeypatch.setattr(module, "_STRIP_PX", 2000)


def _image(shape=(203, 317)):
    rng = np.random.default_rng(8)
    return rng.normal(5, 1, (1, *shape)).astype(np.float32)


@pytest.mark.parametrize("factor", [1, 3, 7])
def test_strips_give_what_the_whole_image_gives(factor):
    """Each square has the mean of its pixels, wherever strips begin."""
    planes = np.concatenate([_image(), _image() * 3])
    planes[1, 50, 60] = np.nan
    whole = shrunk(planes, factor)
    np.testing.assert_array_equal(reduced(ArrayRows(planes), factor), whole)
    ny, nx = (size // factor * factor for size in planes.shape[1:])
    squares = planes[:, :ny, :nx].reshape(2, ny // factor, factor, nx // factor, factor)
    np.testing.assert_allclose(whole, squares.mean(axis=(2, 4), dtype=float), rtol=1e-12)


def _gaps(image):
    """Single pixels, gaps of many rows, one at the edge, the core of a star and a dark hole."""
    rows, columns = np.mgrid[: image.shape[1], : image.shape[2]]
    distance = np.hypot(rows - 120, columns - 200)
    image += 900 * np.exp(-0.5 * (distance / 14) ** 2).astype(np.float32)
    image[:, distance < 13] = np.nan
    image[:, np.hypot(rows - 40, columns - 80) < 13] = np.nan
    image[:, 60:71, 30] = np.nan
    image[:, 71, 31] = np.nan
    image[:, 5, 9] = np.nan
    image[:, 150:, 40:44] = np.nan
    image[:, :, 316] = np.nan


@pytest.mark.parametrize("factor", [2, 5])
def test_gaps_are_filled_as_in_the_whole_image(factor):
    """Small gaps and cores of stars are filled, dark holes and gaps at the edge are not."""
    image = _image()
    _gaps(image)
    whole, count = inpaint_gaps(image, core_levels=lambda: levels_of_light(image))
    assert count > 500
    small = reduced_without_gaps(ArrayRows(image), factor)
    np.testing.assert_array_equal(small, shrunk(whole, factor))
    assert np.isnan(small[0, 40 // factor, 80 // factor])
    assert np.isfinite(small[0, 120 // factor, 200 // factor])


def test_light_is_averaged_not_display_values():
    """A square has the mean of its light."""
    display = np.random.default_rng(1).integers(0, 65536, (60, 90, 3)).astype(np.uint16)
    small, planes = reduced_light(DisplayArray(display), 6), np.moveaxis(display, -1, 0)
    np.testing.assert_allclose(small, shrunk(decode(planes / 65535), 6), rtol=0, atol=1e-12)


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
