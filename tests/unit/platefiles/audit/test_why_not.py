import math

import pytest

from platefiles.audit.why_not import frames_beside, why_not
from platefiles.integration.sub_rows import SubRow
from platefiles.provenance.activities import Making, RawRecord, Record

DARK = RawRecord("d" * 64, "calibration/dark-03.fits", 1, "dark", "f")


@pytest.fixture
def rows():
    """Three subs of two channels: one used, one not, one of a registration without clipping."""
    return [
        SubRow(
            "ha", "ha_03_aa", "n1/ha-03.fits", "a" * 64, "n1", 60, "used", "", 0.5, 0.001, 0.002
        ),
        SubRow(
            "b", "b_03_bb", "n1/b-03.fits", "b" * 64, "n1", 60, "elongated", "ellipticity 0.76",
            0.0, 0.0, 0.0,
        ),
        SubRow(
            "b", "b_04_cc", "n2/b-04.fits", "c" * 64, "n2", 60, "used", "", 1.0, math.nan, math.nan
        ),
    ]  # fmt: skip


@pytest.fixture
def record():
    """A dark of a master."""
    inputs = {"raw": (f"raw:{DARK.sha256}",)}
    making = Making("calibration/dark_60s.fits", "master_dark", "{}", "p", "l", "s", inputs, "d")
    return Record({making.product: making}, {DARK.sha256: DARK})


@pytest.mark.parametrize("word", ["n1/b-03.fits", "b-03.fits", "b-03", "b_03_bb", "b" * 64, "B-03"])
def test_a_sub_that_is_left_out_is_told_with_its_reason(record, rows, word):
    """Name, file name, id, digest and any part of the name lead to it."""
    (line,) = why_not(word, record, rows)
    assert line == ("n1/b-03.fits is not in channel b: elongated: ellipticity 0.76.")


def test_a_sub_that_is_used_is_told_with_its_weight_and_clipped_share(record, rows):
    """What is in the picture is said to be, as far as the product knows."""
    assert why_not("ha-03", record, rows) == [
        "n1/ha-03.fits is in channel ha with weight 0.5 of the best; 0.3 % of its pixels were "
        "clipped, 0.1 % as too dark and 0.2 % as too bright."
    ]
    assert why_not("b-04", record, rows) == ["n2/b-04.fits is in channel b with weight 1."]


def test_every_sub_that_fits_is_listed(record, rows):
    """A word that fits several subs lists them; digits inside of a digest do not count."""
    assert len(why_not("03", record, rows)) == 2
    assert why_not("aaa", record, rows) == []
    assert len(why_not("aaaaaa", record, rows)) == 1


def test_a_calibration_frame_is_told_with_its_master(record, rows):
    """A frame that is no light is said to be part of its master."""
    assert why_not("dark-03", record, rows) == [
        "calibration/dark-03.fits is a dark frame of calibration/dark_60s.fits."
    ]


def test_a_frame_that_only_the_table_beside_knows_is_told_from_there(record, rows, tmp_path):
    """What the run passed over stands in its table of subs."""
    table = (
        "id\tname\tstate\treason\nx\tn1/odd.fits\tunused\tno image\nb\tn1/b-03.fits\telongated\t\n"
    )
    (tmp_path / "subs.tsv").write_text(table)
    beside = list(frames_beside(tmp_path / "picture" / "p.fits"))
    assert why_not("odd", record, rows, beside) == ["n1/odd.fits is not in it: unused, no image."]
    assert len(why_not("b-03", record, rows, beside)) == 1


def test_a_word_that_fits_nothing_finds_nothing(record, rows):
    """Who asks for an unknown frame gets no line."""
    assert why_not("zzz", record, rows) == []
