import pytest
from astropy.coordinates import FK4, SkyCoord

from platefiles.astrometry.header_wcs import header_map

SHAPE = (300, 500)
PLAIN = {
    "CTYPE1": "RA---TAN",
    "CTYPE2": "DEC--TAN",
    "CRPIX1": 250.5,
    "CRPIX2": 150.5,
    "CRVAL1": 83.6,
    "CRVAL2": 22.0,
    "CD1_1": -3e-4,
    "CD1_2": 1e-5,
    "CD2_1": 1e-5,
    "CD2_2": 3e-4,
}


def test_coordinates_are_read_as_they_are():
    """The middle of the image is where the header has it."""
    found = header_map({**PLAIN, "SIMPLE": True, "EXPTIME": 3.0}, SHAPE)
    assert found.texts == ()
    ra, dec = found.sky_map.sky(249.5, 149.5)
    assert (float(ra), float(dec)) == pytest.approx((83.6, 22.0), abs=1e-9)


def test_numbers_that_are_texts_are_mended():
    """Texts, with blanks, exponents of Fortran and all, are read as numbers, and it is told."""
    texts = {key: f" {value} " for key, value in PLAIN.items() if key[:2] in ("CR", "CD")}
    texts["CD1_1"] = "-3.0D-4"
    found = header_map({**PLAIN, **texts}, SHAPE)
    assert set(found.texts) == set(texts)
    expected = header_map(PLAIN, SHAPE).sky_map
    assert found.sky_map.cd == expected.cd
    assert (found.sky_map.ra, found.sky_map.dec) == (expected.ra, expected.dec)


def test_old_keywords_of_scale_and_rotation_are_read():
    """CDELT and CROTA2, degrees."""
    old = {key: value for key, value in PLAIN.items() if not key.startswith("CD")}
    old |= {"CDELT1": -3e-4, "CDELT2": 3e-4, "CROTA2": 30.0}
    found = header_map(old, SHAPE).sky_map
    assert found.scale_arcsec == pytest.approx(1.08)
    assert abs(found.north_deg) == pytest.approx(30.0, abs=1e-6)


def test_other_frames_become_icrs():
    """Coordinates of B1950 are brought to ICRS, as astropy has it."""
    found = header_map({**PLAIN, "RADECSYS": "FK4", "EQUINOX": "1950.0"}, SHAPE)
    expected = SkyCoord(83.6, 22.0, unit="deg", frame=FK4(equinox="B1950")).icrs
    ra, dec = found.sky_map.sky(249.5, 149.5)
    assert (float(ra), float(dec)) == pytest.approx((expected.ra.deg, expected.dec.deg), abs=1e-6)


def test_another_projection_becomes_a_bent_tangent_plane():
    """A zenithal equidistant map of a quarter of a degree is followed within 0.002 px."""
    header = {**PLAIN, "CTYPE1": "RA---ARC", "CTYPE2": "DEC--ARC"}
    header |= {"CD1_1": -1e-2, "CD2_2": 1e-2, "CD1_2": 0.0, "CD2_1": 0.0}
    found = header_map(header, SHAPE)
    assert found.sky_map.degree >= 3


@pytest.mark.parametrize(
    "cards",
    [
        {},
        {"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN"},
        {**PLAIN, "CRVAL1": "unknown"},
        {**PLAIN, "CD1_1": 0.0, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 0.0},
        {**PLAIN, "CTYPE1": "LINEAR", "CTYPE2": "LINEAR"},
        {**PLAIN, "CTYPE1": "RA---XYZ", "CTYPE2": "DEC--XYZ"},
    ],
    ids=["none", "no values", "no number", "no scale", "no sky", "no projection"],
)
def test_what_makes_no_sense_is_none(cards):
    """Headers without coordinates, or with odd ones, have no map, and nothing is raised."""
    assert header_map(cards, SHAPE) is None
