from dataclasses import replace
from xml.etree.ElementTree import tostring

import drawn_reports
import pytest

from platefiles.astrometric_report.document import document_of
from platefiles.astrometric_report.psv import psv_text, read_psv
from platefiles.astrometric_report.validation import problems
from platefiles.core.errors import UserError

SPACECRAFT = """\
# version=2022
# observatory
! mpcCode 250
# submitter
! name A. N. Observer
# telescope
! aperture 2.4
! design Reflector
! detector CCD
# measurers
! name A. N. Observer
permID|trkSub|mode|stn|obsTime |ra |dec |rmsRA |rmsDec |astCat |pos1 |pos2 |pos3 |ctr |sys
|D001|CCD|250|2025-11-30T17:12:11.500Z|115.9571762|21.25635598|0.00475|0.00517|Gaia3|53832875.9|136343238.9|12321.3|399|ICRF_KM
"""
"""In the columns of the standard's sample ``pass.psv``."""


def several():
    """Return a document of unlike observations."""
    first = drawn_reports.OBSERVATION
    return document_of(
        drawn_reports.HEADER,
        [
            first,
            replace(
                first,
                permanent="433",
                magnitude=None,
                band="",
                phot_cat="",
                ra_deg=7.5,
                dec_deg=3.25,
            ),
            replace(
                first,
                provisional="2007 TA418",
                stars=31,
                clock_error_s=0.5,
                remarks="Beside a star",
            ),
        ],
    )


def test_what_is_written_is_read():
    """A document comes back from its PSV as it was, and is valid."""
    document = several()
    again = read_psv(psv_text(document))
    assert tostring(again) == tostring(document)
    assert problems(again) == []


def test_columns_are_aligned_and_identities_stand_first():
    """All rows have their pipes and their decimal points in the same places, identities first."""
    lines = psv_text(several()).splitlines()
    assert lines[:3] == ["# version=2022", "# observatory", "! mpcCode Z99"]
    rows = [line for line in lines if not line.startswith(("#", "!"))]
    assert rows[0].startswith("permID|provID    |trkSub|mode|stn|obsTime")
    assert rows[0].endswith("remarks")
    pipes = {tuple(k for k, letter in enumerate(row) if letter == "|") for row in rows}
    assert len(pipes) == 1
    column = rows[0].split("|").index("dec       ")
    assert {row.split("|")[column].index(".") for row in rows[1:]} == {3}


def test_columns_may_have_another_order():
    """Positions of an observer after the catalogue, as in the standard's sample, are valid."""
    assert problems(read_psv(SPACECRAFT)) == []


def test_sample_with_foreign_columns_is_invalid():
    """Columns that the standard has not (xObs, as in its sample fail_headers) are named."""
    wrong = SPACECRAFT.replace("pos1", "xObs").replace("|sys", "|obsCoord")
    assert any("xObs is not allowed" in one for one in problems(read_psv(wrong)))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("! mpcCode 250", "!", "Line 3 .* needs one with '#'"),
        ("ICRF_KM\n", "ICRF_KM|x|y\n", "Line 13 .* 17 values for 15 names"),
        ("permID|trkSub", "permID|permID", "Line 12 .* a column stands twice"),
        ("permID|", "PermID|", "Line 12 .* a row of values needs a row of names"),
        ("|ra |dec", "|raa |dec", "Line 13 .* the kind of observation cannot be told"),
    ],
)
def test_rows_that_cannot_be_understood_are_named(old, new, said):
    """Damage of the form is one sentence with its line."""
    with pytest.raises(UserError, match=said):
        read_psv(SPACECRAFT.replace(old, new))
