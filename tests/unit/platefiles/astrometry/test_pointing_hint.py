from dataclasses import replace

import pytest

from platefiles.astrometry.pointing_hint import locate_field
from platefiles.frames.dialects import read_facts
from platefiles.settings.field import Pointing

HEADER = {
    "IMAGETYP": "Light",
    "EXPTIME": 60.0,
    "OBJCTRA": "10 34 24",
    "OBJCTDEC": "+30 00 00",
    "FOCALLEN": 800.0,
    "XPIXSZ": 9.0,
    "DATE-OBS": "2018-10-13T02:18:34",
    "SITELAT": "+42 36 36",
    "SITELONG": "+71 29 06",
}
NOTHING = Pointing()


def test_headers_tell_place_and_scale():
    """Hours, degrees, millimetres and micrometres become degrees and arc seconds."""
    found = locate_field(read_facts(HEADER), NOTHING, {})
    assert (found.ra, found.dec) == pytest.approx((158.6, 30.0))
    assert found.scales_arcsec == pytest.approx((2.32048,), abs=1e-4)


def test_what_the_user_states_goes_first():
    """`sky` goes before the equipment file, and that before the header."""
    facts = read_facts(HEADER)
    equipment = {
        "pixel_size_um": 4.5,
        "focal_length_mm": 400.0,
        "site": {"latitude_deg": 46.2, "longitude_deg": 14.1},
    }
    found = locate_field(facts, NOTHING, equipment)
    assert found.scales_arcsec == pytest.approx((2.32048,), abs=1e-4)
    assert (found.latitude_deg, found.longitude_deg) == (46.2, 14.1)
    sky = Pointing(ra_deg=1.0, dec_deg=-2.0, scale_arcsec=3.0)
    found = locate_field(facts, sky, equipment)
    assert (found.ra, found.dec, found.scales_arcsec) == (1.0, -2.0, (3.0,))


def test_binned_pixels_may_be_meant_either_way():
    """XPIXSZ is that of the binned pixel, or of a single one: both are tried."""
    facts = replace(read_facts(HEADER), binning="2x2")
    found = locate_field(facts, NOTHING, {})
    assert found.scales_arcsec == pytest.approx((2.32048, 4.64096), abs=1e-4)
    known = {"pixel_size_um": 4.5, "focal_length_mm": 800.0}
    assert locate_field(facts, NOTHING, known).scales_arcsec == pytest.approx((2.32048,), abs=1e-4)


def test_scale_of_the_header_is_used():
    """IM_SCALE alone gives the scale; the equipment file overrides it."""
    alone = {"IM_SCALE": 5.21}
    assert locate_field(read_facts(alone), NOTHING, {}).scales_arcsec == (5.21,)
    known = {"pixel_size_um": 9.0, "focal_length_mm": 800.0}
    scales = locate_field(read_facts(alone), NOTHING, known).scales_arcsec
    assert scales == pytest.approx((2.32048, 5.21), abs=1e-4)
    both = locate_field(read_facts(HEADER | {"SECPIX": 2.3}), NOTHING, {})
    assert both.scales_arcsec == pytest.approx((2.3, 2.32048), abs=1e-4)
    binned = locate_field(read_facts({"SECPIX": 2.3, "XBINNING": 2}), NOTHING, {})
    assert binned.scales_arcsec == pytest.approx((2.3, 4.6))


def test_longitude_is_taken_so_that_it_was_night():
    """A header that counts west as positive is read so: 2 h UTC is evening in Massachusetts."""
    assert locate_field(read_facts(HEADER), NOTHING, {}).longitude_deg == pytest.approx(-71.485)


def test_what_is_not_known_is_none():
    """An empty header gives neither place nor scale."""
    found = locate_field(read_facts({}), NOTHING, {})
    assert (found.ra, found.dec, found.scales_arcsec) == (None, None, ())
