import json

import numpy as np
import pytest

from platefiles.audit.grid_overlap import lay_over, offset_of, pinned_grid
from platefiles.core.errors import UserError
from platefiles.fits.grid_place import GridPlace
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.provenance.activities import Making, Record


def _record(reference, width=60, height=40):
    job = json.dumps({"pins": {"grid": [reference, width, height], "measured": "0"}})
    making = Making("registration/g.fits", "register", job, "", "", "", {})
    return Record({making.product: making}, {})


@pytest.fixture
def image(tmp_path):
    """Return a way to write an image of a given size, at a given place if it tells one."""

    def write(name, size, place=None):
        cards = [] if place is None else place.cards
        write_product(tmp_path / name, [], [image_hdu(np.zeros(size, np.float32), "SCI", cards)])
        return tmp_path / name

    return write


def test_images_are_laid_over_each_other_by_their_place(image):
    """The same pixel of the grid is compared, in whatever corner either image was cropped."""
    first = image("a.fits", (30, 50), GridPlace().cropped(4, 7))
    second = image("b.fits", (34, 45), GridPlace().cropped(1, 9))
    laid = lay_over((first, second), [_record("g_01"), _record("g_01")])
    assert laid.common.first == (slice(0, 30), slice(2, 47))
    assert laid.common.second == (slice(3, 33), slice(0, 45))
    assert (laid.common.margins(0), laid.common.margins(1)) == ((2, 3, 0, 0), (0, 0, 3, 1))
    assert laid.common.share_outside(0) == pytest.approx(0.1)
    assert laid.note == ""


def test_a_channel_lies_on_its_grid_without_saying_so(image):
    """A channel has no LTV; it is the size of the grid in its record."""
    first, second = image("a.fits", (40, 60)), image("b.fits", (30, 50), GridPlace().cropped(4, 7))
    common = lay_over((first, second), [_record("g_01")] * 2).common
    assert common.first == (slice(4, 34), slice(7, 57))


def test_other_grids_are_named(image):
    """Images of one size are compared as they lie, with a note; of two sizes they are refused."""
    files = image("a.fits", (40, 60)), image("b.fits", (40, 60))
    note = lay_over(files, [_record("g_01"), _record("g_02")]).note
    assert note.startswith(
        "A lies on the grid of g_01 (60 x 40 pixels), B on that of g_02 (60 x 40"
    )
    files = files[0], image("c.fits", (30, 50))
    with pytest.raises(UserError, match=r"60 x 40 and 50 x 30 pixels, and A lies on the grid of"):
        lay_over(files, [_record("g_01"), _record("g_02", 50, 30)])


def test_turned_and_scaled_images_are_not_laid_over_each_other(image):
    """Only a shift by whole pixels is made up for."""
    half = GridPlace().resized((40, 60), (20, 30))
    first = image("a.fits", (40, 60), GridPlace())
    with pytest.raises(UserError, match="A and B are turned or scaled differently on the grid"):
        lay_over((first, image("b.fits", (20, 30), half)), [None, None])
    turned = GridPlace(((-1.0, 0.0), (0.0, -1.0)), (59.0, 39.0))
    laid = lay_over((first, image("c.fits", (40, 60), turned)), [None, None])
    assert laid.note.startswith("A and B are turned or scaled differently")
    assert offset_of(GridPlace(), GridPlace(shift=(0.5, 0.0))) is None
    assert offset_of(GridPlace(), GridPlace(shift=(-3.0, 2.0))) == (-3, 2)


def test_without_common_area_there_is_nothing_to_compare(image):
    """Two parts of the grid that do not touch are refused."""
    files = [image(f"{x}.fits", (9, 9), GridPlace().cropped(0, x)) for x in (0, 9)]
    with pytest.raises(UserError, match="have no common area on the grid"):
        lay_over(tuple(files), [None, None])


def test_a_record_without_grid_tells_none():
    """Masters know no grid, nor does what has no record."""
    making = Making("calibration/bias.fits", "master_bias", "{}", "", "", "", {})
    assert pinned_grid(Record({making.product: making}, {})) is None
    assert pinned_grid(None) is None
