import pytest

from platefiles.frames.times import angle, night_of, start_utc, utc_of_mjd


@pytest.mark.parametrize(
    ("date", "time", "start"),
    [
        ("2018-10-13T02:03:10.984", "", "2018-10-13T02:03:10.984"),
        ("2018-10-13T02:03:10", "", "2018-10-13T02:03:10.000"),
        ("2018-10-13T02:03:10Z", "", "2018-10-13T02:03:10.000"),
        ("2018-10-12T19:03:10-0700", "", "2018-10-13T02:03:10.000"),
        ("2018-10-13T03:33:10+01:30", "", "2018-10-13T02:03:10.000"),
        ("2018-10-13", "02:03:10.5", "2018-10-13T02:03:10.500"),
        ("2018-10-13", "2018-10-13T02:03:10", "2018-10-13T02:03:10.000"),
        ("2018-10-13 02:03", "", "2018-10-13T02:03:00.000"),
        ("13/10/98", "02:03:10", "1998-10-13T02:03:10.000"),
        ("13/10/18", "", "2018-10-13"),
        ("2018-10-13T23:59:60", "", "2018-10-14T00:00:00.000"),
        ("2018-10-13", "", "2018-10-13"),
        ("2018-10-13", "noon", "2018-10-13"),
        ("2018-13-45", "", ""),
        ("0001-01-01T00:00:00", "", ""),
        ("9999-12-31T23:59:59", "", ""),
        ("yesterday", "", ""),
        ("", "02:03:10", ""),
    ],
)
def test_every_spelling_of_the_start_comes_to_utc(date, time, start):
    """ISO 8601 with and without zone, separate time cards, and DD/MM/YY (FITS 4.0, 9.1.2)."""
    assert start_utc(date, time) == start


def test_modified_julian_date():
    """MJD 51544.5 is noon of 1 January 2000 (definition of the epoch J2000.0)."""
    assert utc_of_mjd(51544.5) == "2000-01-01T12:00:00.000"
    assert utc_of_mjd(0.0) == ""


@pytest.mark.parametrize(
    ("start", "longitude", "night"),
    [
        ("2026-03-02T02:00:00.000", None, "2026-03-01"),
        ("2026-03-01T20:00:00.000", None, "2026-03-01"),
        ("2026-03-02T11:59:59.000", 0.0, "2026-03-01"),
        ("2026-03-02T12:00:00.000", 0.0, "2026-03-02"),
        ("2026-03-02T10:00:00.000", -150.0, "2026-03-01"),
        ("2026-03-02T14:00:00.000", -150.0, "2026-03-01"),
        ("2026-03-01T10:00:00.000", 150.0, "2026-03-01"),
        ("2026-03-01T01:00:00.000", 150.0, "2026-02-28"),
        ("2026-03-01", 150.0, "2026-03-01"),
        ("", None, "undated"),
    ],
)
def test_a_night_runs_from_noon_to_noon(start, longitude, night):
    """Noon is that of the site's mean solar time, 15 degrees an hour, or of UTC."""
    assert night_of(start, longitude) == night


@pytest.mark.parametrize(
    ("text", "value", "side"),
    [
        ("+71 29 06.00", 71.485, ""),
        ("-71:29:06", -71.485, ""),
        ("71 29 06 W", -71.485, "W"),
        ("71d29m06s", 71.485, ""),
        ("-0 30 00", -0.5, ""),
        ("313.72801", 313.72801, ""),
    ],
)
def test_angles_are_read_sexagesimal_or_decimal(text, value, side):
    """Degrees, minutes and seconds with any separator, the sign also on zero degrees."""
    assert angle(text) == (pytest.approx(value), side)


@pytest.mark.parametrize("text", ["", "west", "12 61 00", "1 2 3 4"])
def test_what_is_no_angle_is_none(text):
    """Words and impossible minutes are not read."""
    assert angle(text) is None
