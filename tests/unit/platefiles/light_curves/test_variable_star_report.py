import math
from dataclasses import replace

import pytest

from platefiles.core.errors import UserError
from platefiles.light_curves.variable_star_report import (
    FIELDS,
    Observation,
    ReportHead,
    variable_star_report,
)

HEAD = ReportHead("TST01", "platelog 0.1.0", "V", chart="X12345")
ROW = Observation("XX Invented", 2461000.712348, 12.3456, 0.0071, "000-AAA-001", 11.9, 1.234)


def test_the_report_is_as_published():
    """Six parameters, the names of the fields, and one line a measurement, in the order given."""
    lines = variable_star_report(HEAD, [ROW]).decode().splitlines()
    assert lines[:6] == [
        "#TYPE=EXTENDED",
        "#OBSCODE=TST01",
        "#SOFTWARE=platelog 0.1.0",
        "#DELIM=,",
        "#DATE=JD",
        "#OBSTYPE=CCD",
    ]
    assert lines[6] == "#" + ",".join(FIELDS)
    assert lines[7] == (
        "XX Invented,2461000.71235,12.346,0.007,V,NO,STD,ENSEMBLE,na,000-AAA-001,11.900,1.234,"
        "na,X12345,na"
    )


def test_every_line_has_fifteen_fields_and_none_is_blank():
    """Commas and line ends in names and notes cannot break a line; missing values are na."""
    odd = Observation("A, B\nC", 2461000.5, 10.0, math.nan, notes="cloud, #1\r\nwind ü")
    text = variable_star_report(replace(HEAD, chart=""), [ROW, odd]).decode("ascii")
    rows = [line.split(",") for line in text.splitlines() if not line.startswith("#")]
    assert [len(row) for row in rows] == [15, 15]
    assert rows[1][0] == "A; B C" and rows[1][3] == "na" and rows[1][13] == "na"
    assert "\n\n" not in text


def test_measurements_without_magnitude_are_left_out():
    """NaN gives no line."""
    text = variable_star_report(HEAD, [replace(ROW, magnitude=math.nan)]).decode()
    assert len(text.splitlines()) == 7


@pytest.mark.parametrize(
    ("head", "row", "message"),
    [
        (replace(HEAD, observer_code=""), ROW, "needs your observer code"),
        (replace(HEAD, observer_code="A,B"), ROW, "is no observer code"),
        (replace(HEAD, filter_code="Lum"), ROW, "'Lum' is no filter code"),
        (HEAD, replace(ROW, name=""), "needs the name of each star"),
        (HEAD, replace(ROW, name="x" * 31), "NAME .* has 30 characters at most"),
    ],
)
def test_what_is_missing_is_said_in_a_sentence(head, row, message):
    """Reports without observer, filter or star are refused."""
    with pytest.raises(UserError, match=message):
        variable_star_report(head, [row])
