"""Places and sizes as they are typed."""

import pytest
from astropy.coordinates import Angle

from platecli.arguments.naming import WrongCommand
from platecli.arguments.place import parse_place, parse_size


@pytest.mark.parametrize(
    ("text", "x", "y"), [("512,300", 512, 300), ("1.5, 2", 1.5, 2), ("-3,4", -3, 4)]
)
def test_two_numbers_are_pixels(text, x, y):
    """Of the grid, counted from 1."""
    place = parse_place(text)
    assert (place.x, place.y, place.is_sky) == (x, y, False)


@pytest.mark.parametrize(
    ("text", "ra", "dec"),
    [
        ("10:34:20,+30:05:10", "10h34m20s", "30d05m10s"),
        ("10h34m20.5s,-30d05m10s", "10h34m20.5s", "-30d05m10s"),
        ("00:02:00,-00:30:00", "0h2m0s", "-0d30m0s"),
        ("158.583d,30.086d", "158.583d", "30.086d"),
        ("158.583d,-0.5d", "158.583d", "-0.5d"),
    ],
)
def test_right_ascension_and_declination_are_those_of_astropy(text, ra, dec):
    """Sexagesimal right ascensions are in hours; decimal ones with d in degrees."""
    place = parse_place(text)
    assert place.is_sky
    assert place.x == pytest.approx(Angle(ra).degree, abs=1e-9)
    assert place.y == pytest.approx(Angle(dec).degree, abs=1e-9)


@pytest.mark.parametrize(
    "text", ["", "5", "1,2,3", "a,b", "25:00:00,10:00:00", "10:00:00,95:00:00"]
)
def test_what_is_no_place_is_refused(text):
    """With an example of each way to write one."""
    with pytest.raises(WrongCommand, match=r"--at 512,300.*--at 10:34:20"):
        parse_place(text)


def test_sizes_are_one_number_or_two():
    """Columns by rows."""
    assert parse_size("400") == (400, 400)
    assert parse_size("600x300") == (600, 300)
    for text in ("", "0", "15", "x", "40x", "1e3", "-40"):
        with pytest.raises(WrongCommand, match="--size 400 or --size 600x400"):
            parse_size(text)
