import io

import numpy as np
import pytest
from astropy.io.votable import parse_single_table, validate
from astropy.table import Table
from drawn_light_curves import Plan, draw

from platefiles.light_curves.curve_tables import (
    CURVE_COLUMNS,
    STAR_COLUMNS,
    curve_columns,
    star_columns,
    table_writer,
)
from platelib.light_curves.light_curves import light_curves
from platelib.light_curves.periods import Alias, Period
from platelib.light_curves.variability import find_variables

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


@pytest.fixture(scope="module")
def measured():
    """A small series, its curves and its variability; one star lacks a sub."""
    series, _ = draw(1, Plan(n_stars=150, n_subs=20, n_nights=1, n_variables=10))
    series.flux[:, 3, 5] = np.nan
    curves = light_curves(series)
    return series, curves, find_variables(curves, series)


@pytest.mark.parametrize("ending", ["ecsv", "vot"])
def test_table_of_stars(ending, measured):
    """It has all columns, the most significant star first, with periods and their aliases."""
    sky = np.full(150, 10.0), np.full(150, 46.0)
    star = int(np.argmin(measured[2].rank))
    alias = Alias("f + 1/d", 0.5012, 0.9)
    period = Period(1.004, 0.001, 0.8, 1, 1e-6, 0.1, 0.01, 5.0, (alias,))
    columns = star_columns(*measured, sky, {star: period})
    assert set(columns) == set(STAR_COLUMNS)
    assert columns["rank"].tolist() == list(range(1, 151))
    assert columns["star"][0] == star and columns["period_d"][0] == 1.004
    assert np.isnan(columns["period_d"][1:]).all() and (columns["period_terms"][1:] == 0).all()
    written = table_writer(ending)(columns, STAR_COLUMNS, FACTS)
    assert b"0.5012 (f + 1/d)" in written


def test_curve_of_a_star(measured):
    """It has all columns, and one row for each sub in which the star was measured."""
    series = measured[0]
    columns = curve_columns(*measured, series.time_jd + 0.001, 5)
    assert set(columns) == set(CURVE_COLUMNS)
    assert {len(values) for values in columns.values()} == {19}
    assert np.median(columns["magnitude"]) == pytest.approx(series.magnitude[5], abs=0.1)
    assert b"bjd_tdb" in table_writer("ecsv")(columns, CURVE_COLUMNS, FACTS)


def test_a_column_without_description_is_refused():
    """The message names the column."""
    with pytest.raises(ValueError, match="no description of the columns colour"):
        table_writer("ecsv")({"colour": np.ones(2)}, CURVE_COLUMNS, FACTS)
