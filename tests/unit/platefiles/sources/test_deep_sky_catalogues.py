import math

import pytest

from platefiles.core.errors import UserError
from platefiles.sources.deep_sky_catalogues import OPEN_NGC, open_ngc, own_list


def test_objects_of_a_known_field():
    """About 21h 03m -5d 42m there are NGC 6975, 6977 and 6978, with types, axes and angles."""
    found = {one.name: one for one in open_ngc(313.17, -5.69, 0.3)}
    assert {"NGC 6975", "NGC 6977", "NGC 6978"} <= set(found)
    galaxy = found["NGC 6978"]
    # OpenNGC, from its records: 20h52m35.4s -05d42m40s, 1.51' x 0.57' at 126 degrees.
    assert galaxy.ra_deg == pytest.approx(15 * (20 + 52 / 60 + 35.4 / 3600), abs=5e-4)
    assert galaxy.dec_deg == pytest.approx(-(5 + 42 / 60 + 40 / 3600), abs=5e-4)
    assert (galaxy.kind, galaxy.catalogue) == ("galaxy", OPEN_NGC)
    assert (galaxy.major_arcmin, galaxy.minor_arcmin) == (1.51, 0.57)
    assert galaxy.angle_deg == 126


def test_second_records_are_left_out():
    """NGC 6976 is a second record of NGC 6975 and is not listed."""
    assert "NGC 6976" not in {one.name for one in open_ngc(313.17, -5.69, 0.3)}


def test_messier_names_go_before():
    """The Andromeda galaxy is M 31, 3 degrees across; names have no zeros in front."""
    (andromeda,) = [one for one in open_ngc(10.6847, 41.2688, 0.05) if one.name == "M 31"]
    assert andromeda.major_arcmin > 150


def test_around_the_pole_and_around_the_first_hour():
    """Cones about a pole and across 0h hold what is there, at every right ascension."""
    polar = open_ngc(0.0, 90.0, 6.0)
    assert max(one.ra_deg for one in polar) - min(one.ra_deg for one in polar) > 150
    seam = {round(one.ra_deg) // 180 for one in open_ngc(0.0, 10.0, 4.0)}
    assert seam == {0, 1} or seam == {0, 2} or seam == {0, 1, 2}


def test_own_list(tmp_path):
    """A list needs name and place; the rest may be empty, and a comment may stand first."""
    path = tmp_path / "mine.csv"
    path.write_text(
        "# my list\nname,ra_deg,dec_deg,major_arcmin,kind,notes\n"
        "Tern 7, 158.61,30.02,0.5,galaxy,faint\nPebble,158.7,29.9,,,\n"
    )
    one, two = own_list(path)
    assert (one.name, one.kind, one.major_arcmin, one.minor_arcmin) == (
        "Tern 7",
        "galaxy",
        0.5,
        0.5,
    )
    assert (two.name, two.kind, two.catalogue) == ("Pebble", "object", "own list")
    assert math.isnan(two.major_arcmin)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("name,ra\nA,1\n", "has no column dec_deg, ra_deg"),
        ("name,ra_deg,dec_deg\nA,1h,2\n", "line 2: ra_deg is '1h' and has to be a number"),
        ("name,ra_deg,dec_deg\nA,1,99\n", "from -90 to 90"),
        ("name,ra_deg,dec_deg\n,1,9\n", "line 2: name is missing"),
        ("name,ra_deg,dec_deg\nA,nan,9\n", "line 2: ra_deg is 'nan'"),
        ("name,ra_deg,dec_deg\nA,,9\n", "ra_deg and dec_deg are needed"),
    ],
)
def test_wrong_lists_are_told(tmp_path, content, message):
    """What is wrong in a list is told with file, line and column."""
    path = tmp_path / "mine.csv"
    path.write_text(content)
    with pytest.raises(UserError, match=message) as caught:
        own_list(path)
    assert str(path) in str(caught.value)


def test_list_that_is_none(tmp_path):
    """A file that is not there and one that is no text are refused in a sentence."""
    path = tmp_path / "mine.csv"
    with pytest.raises(UserError, match="sky, objects"):
        own_list(path)
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(UserError, match="no CSV file"):
        own_list(path)
