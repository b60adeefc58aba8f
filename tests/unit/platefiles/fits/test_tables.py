import numpy as np
import pytest
from astropy.table import Table

from platefiles.fits.products_io import read_header, read_table, table_hdu, write_product
from platefiles.fits.tables import columns_hdu, read_columns, rows_of

COLUMNS = {
    "name": ["g-01.fits", "h\u00e9 \u0141.fits", "a\\b"],
    "reason": ["", "", ""],
    "number": np.arange(3, dtype=np.int32),
    "count": [1, 2, 3],
    "x": [1.5, np.nan, 3.5],
    "level": np.array([0.1, 0.2, 0.3], dtype=np.float32),
    "terms": [np.zeros(4), np.ones(4), np.arange(4.0)],
}


@pytest.fixture(scope="module")
def product(tmp_path_factory):
    """A product with one table."""
    path = tmp_path_factory.mktemp("tables") / "p.fits"
    write_product(path, [], [columns_hdu(COLUMNS, "ROWS", {"x": "place along rows"})])
    return path


def test_columns_come_back(product):
    """Texts, numbers of any size and vectors are read as they were written, in native order."""
    read = read_columns(product, "ROWS")
    assert list(read) == list(COLUMNS)
    for name, column in COLUMNS.items():
        np.testing.assert_array_equal(read[name], column)
        assert read[name].dtype.isnative
    assert (read["number"].dtype, read["level"].dtype) == (np.int32, np.float32)


def test_rows_are_plain_values(product):
    """A row is a dictionary of str, int and float; a vector stays an array."""
    row = rows_of(read_columns(product, "ROWS"))[1]
    assert row["name"] == COLUMNS["name"][1]
    assert [type(row[name]) for name in ("name", "number", "x", "level")] == [
        str,
        int,
        float,
        float,
    ]
    np.testing.assert_array_equal(row["terms"], np.ones(4))


def test_astropy_reads_the_same(product):
    """Astropy's table of the product has the same columns; the header has the description."""
    np.testing.assert_array_equal(Table.read(product, "ROWS")["terms"], COLUMNS["terms"])
    assert read_header(product, "ROWS")["TCOMM5"] == "place along rows"
    ours = read_table(product, "ROWS")
    assert list(ours["name"]) == COLUMNS["name"]


def test_tables_of_astropy_can_be_read(tmp_path):
    """A table that was written through astropy's Table is read alike."""
    write_product(tmp_path / "p.fits", [], [table_hdu(Table(COLUMNS), "ROWS")])
    read = read_columns(tmp_path / "p.fits", "ROWS")
    for name, column in COLUMNS.items():
        np.testing.assert_array_equal(read[name], column)


def test_table_without_rows_keeps_its_columns(tmp_path):
    """A table without rows has its columns, of their types, and gives no row."""
    columns = {"sub": np.zeros(0, dtype=np.int32), "x": np.zeros(0)}
    write_product(tmp_path / "p.fits", [], [columns_hdu(columns, "ROWS")])
    read = read_columns(tmp_path / "p.fits", "ROWS")
    assert {name: column.dtype for name, column in read.items()} == {"sub": np.int32, "x": float}
    assert rows_of(read) == []
