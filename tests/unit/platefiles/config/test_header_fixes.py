import pytest

from platefiles.config.header_fixes import value_problem
from platefiles.fits.keywords import KEYS
from platefiles.frames.dialects import read_facts


@pytest.mark.parametrize("key", KEYS)
def test_an_empty_value_erases_any_card(key):
    """Whatever the card."""
    assert value_problem(key, "") == ""


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("IMAGETYP", "Dark"), ("IMAGETYP", "master flat"), ("FRAME", 7), ("EXPTIME", 60),
        ("EXPTIME", "60 s"), ("EXPOSURE", 0), ("FILTER", 3), ("FILTER", "abc"), ("GAIN", 0),
        ("EGAIN", 0), ("EGAIN", "1.5D0"), ("OFFSET", -5), ("CCD-TEMP", -20.5), ("CCD-TEMP", 253),
        ("XBINNING", 2), ("BINNING", "2x2"), ("DATE-OBS", "2026-03-24T22:10:00"),
        ("DATE-OBS", "2026-03-24"), ("DATE-OBS", "24/03/99"), ("TIME-OBS", "22:10"),
        ("MJD-OBS", 61123.9), ("INSTRUME", "x"), ("OBJECT", "M 31"), ("BUNIT", "adu"),
        ("PEDESTAL", -100), ("OBJCTRA", "10 34 24"), ("RA", 158.6), ("OBJCTDEC", "-00 30 00"),
        ("FOCALLEN", 530.5), ("XPIXSZ", 3.76), ("PIXSCALE", 2.3), ("SITELAT", "48 51 N"),
        ("SITELONG", -2.3), ("OBSGEO-L", 11.4), ("BAYERPAT", "none"), ("COLORCCD", False),
        ("TRIMSEC", "[1:2048,1:1024]"), ("BIASSEC", "[0:0,0:0]"),
    ],
)  # fmt: skip
def test_values_that_are_read_are_taken(key, value):
    """What a header may say, a fix may say."""
    assert value_problem(key, value) == ""


@pytest.mark.parametrize(
    ("key", "value", "must_be"),
    [
        ("IMAGETYP", "Lihgt", "Bias, Dark, Flat or Light"),
        ("EXPTIME", "abc", "a number of seconds, such as 120"),
        ("EXPOSURE", -1, "a number of seconds, such as 120"),
        ("EXPTIME", True, "a number of seconds, such as 120"),
        ("EXPTIME", float("inf"), "a number of seconds, such as 120"),
        ("GAIN", "high", "a number"),
        ("EGAIN", "none", "a number of electrons per ADU"),
        ("CCD-TEMP", -300, "a temperature in degrees C"),
        ("XBINNING", 0, "a number from 1 to 64"),
        ("DATE-OBS", "2026-02-30", "a date from 1900 on, such as 2026-03-24T22:10:00"),
        ("DATE-OBS", 2026, "a date from 1900 on, such as 2026-03-24T22:10:00"),
        ("TIME-OBS", "25:61", "a time, such as '22:10:00'"),
        ("MJD-OBS", 2461123.9, "a modified Julian date, such as 61123.9"),
        ("OBJCTDEC", 91, "a declination, such as '+29 59 57' or 29.99"),
        ("RA", "abc", "a right ascension, such as '10 34 24' or 158.6"),
        ("FOCALLEN", 0, "a length in mm above 0"),
        ("PIXSCALE", 1e6, "a number of arc seconds from 0.01 to 600"),
        ("SITELONG", 1000, "a longitude in degrees"),
        ("TRIMSEC", "all", "a section, such as '[1:2048,1:1024]'"),
    ],
)
def test_values_that_would_be_passed_over_are_told(key, value, must_be):
    """An invalid value is refused with the expected and the given value."""
    given = f"'{value}'" if isinstance(value, str) else str(value).lower()
    told = f"must be {must_be}, or '' to remove the card (got {given})"
    assert value_problem(key, value) == told


def test_refusals_are_those_of_the_reader():
    """An exposure that is refused is one that no frame would have."""
    for value in (-1, "abc", 1e9, 0, 1.5, "2 s", True):
        read = read_facts({}, fixes={"EXPTIME": value}).exposure_s
        assert (read is None) == bool(value_problem("EXPTIME", value))
