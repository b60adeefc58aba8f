import os
import warnings

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from platefiles.fits.products_io import (
    has_image,
    image_hdu,
    read_header,
    read_image,
    read_table,
    table_hdu,
    write_product,
)


def _table():
    table = Table({"name": ["g-01.fits", "h\u00e9 \u0141.fits", "a\\b"], "x": [1.5, 2.5, 3.5]})
    table["x"].unit = "pix"
    table["x"].description = "place along rows"
    return table


def _write(path):
    image = np.arange(12, dtype=np.float32).reshape(3, 4)
    write_product(
        path,
        [("STEP", "test"), ("OBJECT", "N\u00e9buleuse"), ("MASTER", "x" * 60)],
        [image_hdu(image, "SCI", [("PLANE1", "low")], unit="adu"), table_hdu(_table(), "ROWS")],
    )


def test_product_reads_back(tmp_path):
    """Images, tables, units and cards come back as they were; letters beyond ASCII are escaped."""
    path = tmp_path / "new" / "p.fits"
    _write(path)
    image, header = read_image(path)
    np.testing.assert_array_equal(image, np.arange(12).reshape(3, 4))
    assert (image.dtype, header["BUNIT"], header["PLANE1"]) == (np.float32, "adu", "low")
    table = read_table(path, "ROWS")
    assert list(table["name"]) == list(_table()["name"])
    assert list(table["x"]) == [1.5, 2.5, 3.5]
    assert table["x"].dtype.isnative
    assert fits.getheader(path, "ROWS")["TCOMM2"] == "place along rows"
    primary = read_header(path)
    assert primary["OBJECT"] == "N\\xe9buleuse"
    assert (primary["MASTER"], primary.comments["MASTER"]) == ("x" * 60, "")
    assert has_image(path, "SCI")
    assert not has_image(path, "VAR")


def test_checksums_hold_for_astropy(tmp_path):
    """CHECKSUM and DATASUM of every HDU are right for astropy; a changed bit breaks them."""
    path = tmp_path / "p.fits"
    _write(path)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with fits.open(path, checksum=True) as hdus:
            assert [hdu.verify_checksum() for hdu in hdus] == [1, 1, 1]
            assert [hdu.verify_datasum() for hdu in hdus] == [1, 1, 1]
            place = hdus.fileinfo(1)["datLoc"]
    content = bytearray(path.read_bytes())
    content[place] ^= 1
    path.write_bytes(content)
    with (
        pytest.warns(UserWarning, match="verification failed"),
        fits.open(path, checksum=True) as h,
    ):
        h[1].verify_datasum()
        assert h[1].data is not None


def test_equal_products_are_equal_bytes(tmp_path, monkeypatch):
    """The clock leaves no trace in a product."""
    _write(tmp_path / "a.fits")
    monkeypatch.setattr("time.time", lambda: 1.0e9)
    _write(tmp_path / "b.fits")
    assert (tmp_path / "a.fits").read_bytes() == (tmp_path / "b.fits").read_bytes()
    assert b"2026-" not in (tmp_path / "a.fits").read_bytes()


def test_product_is_whole_or_not_there(tmp_path, monkeypatch):
    """When the disk is full midway the old product stays and no part of the new one is left."""
    path = tmp_path / "p.fits"
    path.write_bytes(b"old")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(fits.ImageHDU, "_writeto", full)
    with pytest.raises(OSError, match="No space left"):
        _write(path)
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["p.fits"]


def test_empty_tables_keep_their_columns(tmp_path):
    """A table without rows comes back with the types of its columns."""
    empty = Table(names=("name", "x"), dtype=("U5", "f8"))
    write_product(tmp_path / "p.fits", [], [table_hdu(empty, "ROWS")])
    table = read_table(tmp_path / "p.fits", "ROWS")
    assert [table[name].dtype.kind for name in table.colnames] == ["U", "f"]
    assert len(table) == 0
