"""Products that are filled band by band."""

import errno
import os

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from platefiles.fits.products_io import image_hdu, table_hdu, write_product
from platefiles.fits.streaming_writer import StreamedProduct

IMAGES = {
    "SCI": ((30, 41), "f4", [("NOTDONE1", "x")], "electron/s"),
    "CLIPPED": ((2, 30, 41), "i2", (), None),
}
CARDS = [("CREATOR", "test"), ("SETTINGS", "s" * 200)]


def _data():
    rng = np.random.default_rng(1)
    image = rng.normal(0, 1, (30, 41)).astype(np.float32)
    return image, rng.integers(-5, 5, (2, 30, 41)).astype(np.int16)


def _stream(path):
    image, counts = _data()
    with StreamedProduct(path, CARDS, IMAGES) as product:
        for top in range(0, 30, 7):
            rows = slice(top, min(top + 7, 30))
            product.fill({"SCI": image[rows]}, (rows.start, rows.stop))
            for columns in ((0, 15), (15, 41)):
                part = counts[:, rows, slice(*columns)]
                product.fill({"CLIPPED": part}, (rows.start, rows.stop), columns)
            np.testing.assert_array_equal(product.image("SCI")[: rows.stop], image[: rows.stop])
            assert not product.image("CLIPPED")[:, rows.stop :].any()
        product.finish([table_hdu(Table({"id": ["a", "b"]}), "INPUTS")])


def test_it_equals_a_product_written_at_once(tmp_path):
    """Filled in bands or written at once, a product has the same headers, data and checksums."""
    _stream(tmp_path / "streamed.fits")
    image, counts = _data()
    hdus = [
        image_hdu(image, "SCI", IMAGES["SCI"][2], "electron/s"),
        image_hdu(counts, "CLIPPED"),
        table_hdu(Table({"id": ["a", "b"]}), "INPUTS"),
    ]
    write_product(tmp_path / "whole.fits", CARDS, hdus)
    difference = fits.FITSDiff(
        str(tmp_path / "streamed.fits"), str(tmp_path / "whole.fits"), ignore_keywords=["CHECKSUM"]
    )
    assert difference.identical, difference.report()


@pytest.mark.parametrize("count", range(27, 35))
def test_a_header_of_any_length_stays_whole(tmp_path, count):
    """No card that is added on the way pushes a full block of the header into the image."""
    cards = [(f"MAP{number}", number) for number in range(1, count + 1)]
    image, _ = _data()
    with StreamedProduct(tmp_path / "p.fits", cards, {"SCI": IMAGES["SCI"]}) as product:
        product.fill({"SCI": image}, (0, 30))
        product.finish([])
    with fits.open(tmp_path / "p.fits", checksum=True) as hdus:
        assert [hdu.verify_checksum() for hdu in hdus] == [1, 1]
        np.testing.assert_array_equal(hdus["SCI"].data, image)
        assert hdus[0].header[f"MAP{count}"] == count


def test_numbers_of_the_header_may_come_last(tmp_path):
    """A card that is given at the end has the value that it would have had from the start."""
    for name, first in (("early.fits", 12345), ("late.fits", 0)):
        cards = [*CARDS, ("NHOT", first)]
        with StreamedProduct(tmp_path / name, cards, IMAGES) as product:
            product.finish([], {"NHOT": 12345})
    assert (tmp_path / "late.fits").read_bytes() == (tmp_path / "early.fits").read_bytes()


def test_checksums_are_valid(tmp_path):
    """Astropy finds every DATASUM and CHECKSUM right, and the file free of faults."""
    _stream(tmp_path / "a.fits")
    with fits.open(tmp_path / "a.fits", checksum=True) as hdus:
        hdus.verify("exception")
        assert all(hdu.verify_checksum() == 1 and hdu.verify_datasum() == 1 for hdu in hdus)


def test_equal_data_give_equal_bytes(tmp_path):
    """Two products of the same data are the same file."""
    for name in ("a.fits", "b.fits"):
        _stream(tmp_path / name)
    assert (tmp_path / "a.fits").read_bytes() == (tmp_path / "b.fits").read_bytes()


def test_nothing_is_left_of_an_unfinished_product(tmp_path):
    """A product that fails midway leaves what was there, and no temporary file."""
    path = tmp_path / "a.fits"
    path.write_bytes(b"before")
    with pytest.raises(RuntimeError), StreamedProduct(path, CARDS, IMAGES) as product:
        product.fill({"SCI": np.ones((5, 41))}, (0, 5))
        raise RuntimeError
    assert path.read_bytes() == b"before"
    assert [file.name for file in tmp_path.iterdir()] == ["a.fits"]


def test_a_full_disk_is_told_before_anything_is_filled(tmp_path, monkeypatch):
    """The room for all images is asked for at once; the error names the product, and all goes."""

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "posix_fallocate", full)
    with pytest.raises(OSError, match="No space left on device") as caught:
        StreamedProduct(tmp_path / "a.fits", CARDS, IMAGES)
    assert caught.value.filename == str(tmp_path / "a.fits")
    assert os.listdir(tmp_path) == []


def test_other_errors_are_not_put_down_to_the_product(tmp_path):
    """What fails while the product is being filled, such as a raw disk, keeps its own name."""
    with (
        pytest.raises(OSError, match="Input/output error") as caught,
        StreamedProduct(tmp_path / "a.fits", CARDS, IMAGES),
    ):
        raise OSError(errno.EIO, "Input/output error")
    assert caught.value.filename is None
