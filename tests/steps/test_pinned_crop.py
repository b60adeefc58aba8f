"""The crop of a picture while nights are added: simulated coverage of four nights."""

from itertools import permutations

import numpy as np
import pytest
from astropy.io import fits
from draw_picture import Part
from drawn_pictures import draw_files
from unit.platelib.registration.test_common_coverage import shifted

from platefiles.fits.grid_place import GridPlace
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.picture.geometry import framed
from platefiles.settings.picture import Framing, Stretch
from platelib.registration.common_coverage import Footprint, common_part

SHAPE = (120, 170)
NIGHTS = (
    [(3.0, 1.0, 0.0), (7.0, -4.0, 0.0), (2.0, 5.0, 0.0), (4.0, 8.0, 0.0), (9.0, -7.0, 0.0)],
    [(-5.0, 9.0, 180.0), (8.0, 2.0, 180.0), (1.0, -11.0, 180.0)],
    [(12.0, -10.0, 0.3), (-14.0, 6.0, 0.3), (2.0, 1.0, 0.3)],
    [(-3.0, -2.0, 90.0), (4.0, 4.0, 90.0)],
)
"""Dithers in pixels and turns in degrees: first night, flip, remounted camera, turned camera."""


def _footprints(nights):
    return [
        Footprint(shifted(SHAPE, *place), SHAPE, 60.0)
        for night in nights
        for place in NIGHTS[night]
    ]


def _cube(path, nights, geometry=None):
    """Write a linear image of which each pixel is covered by the subs of some nights, or blank."""
    y, x = np.indices(SHAPE)
    weight = np.zeros(SHAPE)
    for one in _footprints(nights):
        raw_x, raw_y = (part.reshape(SHAPE) for part in one.transform(x.ravel(), y.ravel()))
        weight += (np.abs(raw_x - 84.5) < 84.6) & (np.abs(raw_y - 59.5) < 59.6)
    rng = np.random.default_rng(1)
    noise = rng.normal(0, 1, (3, *SHAPE)) / np.sqrt(np.maximum(weight, 1))
    planes = np.where(weight > 0, noise, np.nan).astype(np.float32)
    planes, cards, _ = framed(planes, geometry or Framing())
    write_product(path, [], [image_hdu(planes, "SCI", cards)])
    return path


def _pinned(nights):
    rows, columns = common_part(_footprints(nights), SHAPE)
    return Part(columns=(columns.start + 1, columns.stop), rows=(rows.start + 1, rows.stop))


def _drawn(folder, nights, shown, crop="common", geometry=None):
    name = "".join(map(str, nights))
    cube = _cube(folder / f"{name}.fits", nights, geometry)
    picture = draw_files(cube, [folder / f"{name}.png"], Stretch(), "T", crop=crop, shown=shown)
    lies = GridPlace.of(fits.getheader(folder / f"{name}.display.fits", "SCI"))
    return picture, picture.pixels.shape[:2], lies


def test_nights_change_neither_size_nor_place(tmp_path):
    """In every order of four nights the picture that grows keeps its frame, without blank pixels.

    Without the pin, as pictures were cropped before, the size follows the nights.
    """
    shown = _pinned([0])
    size = (shown.rows[1] - shown.rows[0] + 1, shown.columns[1] - shown.columns[0] + 1)
    place = GridPlace().cropped(shown.rows[0] - 1, shown.columns[0] - 1)
    assert 0.8 * SHAPE[0] < size[0] <= SHAPE[0]
    grown = {tuple(sorted(order[:n])) for order in permutations(range(4)) for n in (1, 2, 3, 4)}
    grown = {nights for nights in grown if 0 in nights}  # those after the night of the pin
    assert len(grown) == 8
    for nights in sorted(grown):
        picture, *found = _drawn(tmp_path, nights, shown)
        assert tuple(found) == (size, place), nights
        assert picture.black_px == picture.inpainted_px == 0
    sizes = {_drawn(tmp_path, nights, None)[1] for nights in grown}
    assert len(sizes) > 1


def test_blank_pixels_are_cut_off_though_the_pin_has_them(tmp_path):
    """If the subs of the first night are taken out, the picture becomes smaller, never blank."""
    shown = Part(columns=(1, SHAPE[1]), rows=(1, SHAPE[0]))
    picture, shape, _ = _drawn(tmp_path, (3,), shown)
    assert picture.black_px == picture.inpainted_px == 0
    assert shape[1] < 140


def test_without_crop_the_pin_is_nothing(tmp_path):
    """`crop: none` shows the whole grid, blank pixels in black, as before."""
    picture, *found = _drawn(tmp_path, (3,), _pinned([0]), crop="none")
    assert tuple(found) == (SHAPE, GridPlace())
    assert picture.black_px > 0


@pytest.mark.parametrize("scale", [0.5, 1.5])
def test_a_scaled_picture_shows_the_same_part(tmp_path, scale):
    """In a picture of another scale, the pixels whose centres lie in the pinned part are shown."""
    shown = _pinned([0])
    _, shape, lies = _drawn(tmp_path, (0, 1), shown, geometry=Framing(scale=scale))
    for axis, (first, last) in enumerate((shown.columns, shown.rows)):
        size = shape[1 - axis]
        low = (-0.5 - lies.shift[axis]) / lies.matrix[axis][axis]
        high = (size - 0.5 - lies.shift[axis]) / lies.matrix[axis][axis]
        assert first - 1.5 - 0.5 / scale <= low < first - 1.5 + 2.5 / scale
        assert last - 0.5 - 2.5 / scale < high <= last - 0.5 + 0.5 / scale
