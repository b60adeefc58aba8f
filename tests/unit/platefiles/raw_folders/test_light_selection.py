import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from pydantic import ValidationError

from platefiles.config.project import Lights
from platefiles.frames.dialects import read_facts
from platefiles.raw_folders.light_selection import (
    canonical_object,
    pointing,
    separation_deg,
    why_not_selected,
)


@pytest.mark.parametrize(
    "names",
    [
        ("M 31", "m31", "M-31", "M_031", "Messier 31", " M  31 "),
        ("NGC 224", "ngc0224", "NGC-224"),
        ("Sh2-155", "SH 2-155", "sh2 155"),
        ("IC 1396 A", "ic1396a"),
        ("Ёлка", "ёлка"),
    ],
)
def test_spellings_of_one_object(names):
    """Capitals, blanks, signs and leading zeros make no other object."""
    assert len({canonical_object(name) for name in names}) == 1


@pytest.mark.parametrize(
    ("one", "other"), [("Sh 2-15", "Sh 21-5"), ("M 3", "M 31"), ("M 31", "N 31"), ("0", "")]
)
def test_objects_that_differ(one, other):
    """Numbers that only meet by leaving signs away stay apart."""
    assert canonical_object(one) != canonical_object(other)


def test_separation_agrees_with_astropy():
    """Angles between places are those of astropy's coordinates, at all distances."""
    rng = np.random.default_rng(5)
    for scale in (1e-4, 1.0, 180.0):
        ra, dec = rng.uniform(0, 360, 50), rng.uniform(-89, 89, 50)
        ra2 = (ra + rng.uniform(-scale, scale, 50)) % 360
        dec2 = np.clip(dec + rng.uniform(-scale, scale, 50), -90, 90)
        one, other = SkyCoord(ra, dec, unit="deg"), SkyCoord(ra2, dec2, unit="deg")
        found = [separation_deg(*row) for row in zip(ra, dec, ra2, dec2, strict=True)]
        np.testing.assert_allclose(found, one.separation(other).deg, rtol=1e-6, atol=1e-9)


def facts(**cards):
    """Give what a header says."""
    return read_facts(cards)


def test_selection_by_object():
    """A light belongs to a project by any spelling of a listed OBJECT, and not without one."""
    wanted = Lights(objects=["M 31", "Andromeda"])
    assert why_not_selected(facts(OBJECT="messier31"), wanted) == ""
    assert why_not_selected(facts(OBJECT="M 33"), wanted) == "OBJECT = 'M 33'"
    assert why_not_selected(facts(), wanted) == "no OBJECT"
    assert why_not_selected(facts(), Lights()) == ""


def test_selection_by_pointing():
    """A light belongs to a project inside of the radius, across zero hours too."""
    wanted = Lights(ra_deg=0.1, dec_deg=10.0, radius_deg=0.5)
    assert why_not_selected(facts(RA=359.9, DEC=10.0), wanted) == ""
    away = why_not_selected(facts(RA=2.1, DEC=10.0), wanted)
    assert away == "more than 0.5 degrees away"
    assert why_not_selected(facts(OBJECT="M 31"), wanted) == "no pointing (RA, DEC)"


def test_a_pointing_of_zeros_is_unknown():
    """Programs that know no pointing write zeros."""
    assert pointing(facts(RA=0.0, DEC=0.0)) is None
    assert pointing(facts(RA=0.0, DEC=1.0)) == (0.0, 1.0)


def test_a_pointing_is_given_whole():
    """Right ascension, declination and radius belong together."""
    with pytest.raises(ValidationError, match="belong together"):
        Lights(ra_deg=1.0, dec_deg=2.0)
