import io

import numpy as np
import pytest
from astropy.io.votable import parse_single_table, validate
from astropy.table import Table

from platefiles.light_curves.curve_tables import CURVE_COLUMNS, STAR_COLUMNS, table_writer

FACTS = {"title": "light curve of star 7", "channel": "r"}


def _curve():
    time = 2461000.7 + np.arange(4) / 100
    return {
        "magnitude": np.array([12.1, 12.2, np.nan, 12.0]),
        "jd_utc": time,
        "bjd_tdb": time + 0.001,
        "outlier": np.array([False, False, True, False]),
    }


def test_ecsv_holds_values_units_and_facts():
    """Astropy reads what was written, in the order of the descriptions."""
    written = table_writer("ecsv")(_curve(), CURVE_COLUMNS, FACTS)
    table = Table.read(io.BytesIO(written), format="ascii.ecsv")
    assert table.colnames == ["jd_utc", "bjd_tdb", "magnitude", "outlier"]
    np.testing.assert_array_equal(table["jd_utc"], _curve()["jd_utc"])
    assert str(table["magnitude"].unit) == "mag"
    assert table.meta["channel"] == "r"


def test_votable_is_valid():
    """The table has no warning of astropy's validator, and reads back with its UCDs."""
    written = table_writer("vot")(_curve(), CURVE_COLUMNS, FACTS)
    report = io.StringIO()
    assert validate(io.BytesIO(written), report, xmllint=False), report.getvalue()
    table = parse_single_table(io.BytesIO(written))
    np.testing.assert_array_equal(table.to_table()["jd_utc"], _curve()["jd_utc"])
    assert table.get_field_by_id("magnitude").ucd == "phot.mag"


@pytest.mark.parametrize("ending", ["ecsv", "vot"])
def test_table_of_stars(ending):
    """All columns of stars can be written, words too."""
    columns = {name: np.arange(3.0) for name in STAR_COLUMNS}
    columns["reason"] = np.array(["scatter", "dip", ""])
    columns["period_aliases_d"] = np.array(["0.5 (f + 1/d)", "", ""])
    written = table_writer(ending)(columns, STAR_COLUMNS, FACTS)
    assert b"f + 1/d" in written


def test_a_column_without_description_is_refused():
    """The message names the column."""
    with pytest.raises(ValueError, match="no description of the columns colour"):
        table_writer("ecsv")({"colour": np.ones(2)}, CURVE_COLUMNS, FACTS)
