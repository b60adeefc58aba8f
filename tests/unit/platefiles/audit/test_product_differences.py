from xml.etree import ElementTree

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from platefiles.audit.product_differences import compare_files, compare_products
from platefiles.fits.products_io import image_hdu, table_hdu, write_product
from platefiles.picture.picture_files import Label, write_svg


@pytest.fixture
def make(tmp_path):
    """Return a way to write a small product with changes."""

    def write(name, change=0.0, sub="a", cards=(("STEP", "integrate"),), size=(20, 31)):
        image = np.random.default_rng(1).normal(5, 1, size).astype(np.float32)
        image[0, 0] = np.nan
        image[2, 3] += np.float32(change)
        clipped = np.zeros((2, *size), dtype=np.int16)
        table = Table({"id": [sub, "b"], "weight": [1.0, np.nan]})
        path = tmp_path / name
        write_product(
            path,
            cards,
            [
                image_hdu(image, "SCI", unit="electron/s"),
                image_hdu(np.full(size, 4.0, np.float32), "VAR"),
                image_hdu(clipped, "CLIPPED", [("PLANE1", "low"), ("PLANE2", "high")]),
                table_hdu(table, "INPUTS"),
                fits.ImageHDU(np.frombuffer(name.encode(), dtype=np.uint8), name="RECORD"),
            ],
        )
        return path

    return write


def test_equal_products_do_not_differ(make):
    """Images, tables with NaN and headers compare equal, regardless of their records."""
    found = compare_products(make("a.fits"), make("b.fits"))
    assert found.same_data
    assert found.cards == found.one_sided == ()
    assert [plane.name for plane in found.planes] == ["SCI", "VAR", "CLIPPED low", "CLIPPED high"]
    assert [table.name for table in found.tables] == ["INPUTS"]


def test_one_pixel_is_found_and_measured_by_its_noise(make):
    """A single changed pixel is counted, in the unit of the image and in sigma of the first."""
    found = compare_products(make("a.fits"), make("b.fits", change=3.0))
    science = found.planes[0]
    assert not found.same_data
    assert science.values.differing == 1
    assert science.values.max_abs == pytest.approx(3, rel=1e-6)
    assert science.in_noise.max_abs == pytest.approx(1.5, rel=1e-6)
    assert all(plane.values.differing == 0 for plane in found.planes[1:])


def test_columns_and_cards_that_differ_are_named(make):
    """Another text in a table and another value in a header are told with both values."""
    found = compare_products(make("a.fits"), make("b.fits", sub="c", cards=[("STEP", "other")]))
    assert not found.same_data
    assert found.tables[0].columns == ("id",)
    (card,) = found.cards
    assert (card.hdu, card.keyword, card.first, card.second) == (
        "PRIMARY", "STEP", "integrate", "other",
    )  # fmt: skip


def test_other_sizes_are_said_in_words(make):
    """Images of other sizes are not compared pixel by pixel."""
    found = compare_products(make("a.fits"), make("b.fits", size=(21, 31)))
    assert not found.same_data
    assert found.one_sided[0] == "SCI: 31 x 20 and 31 x 21 pixels"


def test_hdu_of_one_product_only_is_named(make, tmp_path):
    """An image that one of the products lacks is a difference of data."""
    other = tmp_path / "less.fits"
    write_product(other, [("STEP", "integrate")], [])
    found = compare_products(make("a.fits"), other)
    assert "VAR is in the first only" in found.one_sided
    assert not found.same_data


def test_drawings_differ_by_their_lines(tmp_path):
    """The content of drawings is compared, their metadata is not."""
    line = b'<svg xmlns="http://www.w3.org/2000/svg"><path d="M 0 %d L 9 9"/></svg>\n'
    paths = [tmp_path / f"{name}.svg" for name in "abc"]
    for path, start, title in zip(paths, (0, 0, 1), ("One", "Two", "One"), strict=True):
        write_svg(path, line % start, Label(title, "", "lines", "platelog 0"))
    assert paths[0].read_bytes() != paths[1].read_bytes()
    assert compare_files(paths[0], paths[1]).same_data
    assert compare_files(paths[0], paths[2]).one_sided == ("other lines are drawn",)


def test_a_drawing_says_what_it_is_where_xml_has_it(tmp_path):
    """An SVG with its metadata is XML that is read as such, the packet in it."""
    path = tmp_path / "a.svg"
    write_svg(path, b'<svg xmlns="http://www.w3.org/2000/svg"></svg>\n', Label("A & B", "", "", ""))
    root = ElementTree.parse(path).getroot()
    (metadata,) = root.iter("{http://www.w3.org/2000/svg}metadata")
    titles = metadata.iter("{http://www.w3.org/1999/02/22-rdf-syntax-ns#}li")
    assert [title.text for title in titles] == ["A & B"]
