import hashlib
import json

import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time, TimeDelta

from platefiles.core.hashing import canonical, digest, file_sha256
from platefiles.fits.products_io import read_header, write_product
from platefiles.provenance import header_provenance
from platefiles.provenance.header_provenance import (
    equipment_cards,
    exposure_cards,
    making_cards,
    note_cards,
)


def test_canonical_text_depends_on_the_content_alone():
    """Order of keys and layout do not count; text is ASCII; it reads back."""
    one = {"b": 1, "a": {"y": [1.5, None], "x": "\u0141"}}
    two = {"a": {"x": "\u0141", "y": [1.5, None]}, "b": 1}
    assert canonical(one) == canonical(two) == '{"a":{"x":"\\u0141","y":[1.5,null]},"b":1}'
    assert json.loads(canonical(one)) == one
    assert digest(canonical(one)) == digest(canonical(two)) != digest(canonical({"b": 1}))


def test_digests_are_those_of_sha256(tmp_path):
    """Digests are SHA-256, as the standard library computes it."""
    (tmp_path / "a").write_bytes(b"abc")
    assert file_sha256(tmp_path / "a") == hashlib.sha256(b"abc").hexdigest()
    assert digest("abc") == hashlib.sha256(b"abc").hexdigest()[:16]


def _cards(settings):
    job = {"settings": settings, "code": "0123456789abcdef", "project": "demo"}
    return making_cards("measure_stars", job)


@pytest.mark.parametrize("length", [3, 60, 68, 69, 200, 3000])
def test_settings_of_any_length_survive(tmp_path, length):
    """Settings longer than a card go on in CONTINUE cards and read back whole, in astropy too."""
    settings = {"text": "it's " + "x" * length}
    write_product(tmp_path / "p.fits", _cards(settings), [])
    for header in (read_header(tmp_path / "p.fits"), fits.getheader(tmp_path / "p.fits")):
        assert json.loads(header["SETTINGS"]) == settings
        assert header["SETDIG"] == digest(canonical(settings))
    assert fits.getheader(tmp_path / "p.fits")["STEP"] == "measure_stars"


def test_making_cards_name_who_how_and_with_what():
    """A product says its maker, rule, project, code, settings and environment, and no time."""
    cards = {card[0]: card[1] for card in _cards({"a": 1})}
    assert cards["CREATOR"] == f"platelog {header_provenance.VERSION}"
    assert (cards["STEP"], cards["PROJECT"]) == ("measure_stars", "demo")
    assert cards["CODEDIG"] == "0123456789abcdef"
    assert len(cards["LOCKDIG"]) == 16
    assert "numpy " in cards["SOFTWARE"]
    assert "astropy " in cards["SOFTWARE"]
    assert not any(key.startswith("DATE") for key in cards)


def test_exposures_are_summed_and_spanned():
    """Number, total, first start and last end are those that astropy gives."""
    frames = [
        ("2026-03-24T00:10:00.500", 180.0),
        ("2026-03-23T23:50:00", 600.0),
        ("2026-03-24T00:05:00", 900.0),
    ]
    cards = {card[0]: card[1] for card in exposure_cards(frames)}
    first = Time("2026-03-23T23:50:00", scale="utc")
    last = Time("2026-03-24T00:05:00", scale="utc") + TimeDelta(900, format="sec")
    assert (cards["NCOMBINE"], cards["EXPTIME"]) == (3, 1680.0)
    assert (cards["DATE-BEG"], cards["DATE-END"]) == (first.isot, last.isot)
    assert cards["DATE-END"] == "2026-03-24T00:20:00.000"
    assert cards["MJD-BEG"] == pytest.approx(first.mjd, abs=1e-8)
    assert cards["MJD-END"] == pytest.approx(last.mjd, abs=1e-8)
    assert cards["TIMESYS"] == "UTC"
    seconds = [1200.5 + 90, 300.0, 900.0 + 450]  # middles since the first start
    average = first + TimeDelta(np.average(seconds, weights=[180, 600, 900]), format="sec")
    assert cards["MJD-AVG"] == pytest.approx(average.mjd, abs=1e-8)
    assert cards["DATE-AVG"] == average.isot
    assert "DATE-OBS" not in cards


def test_a_single_exposure_has_a_date_of_observation():
    """Of one frame, DATE-OBS is its start and DATE-AVG its middle; of a bias both are one."""
    cards = {card[0]: card[1] for card in exposure_cards([("2026-03-24T00:10:00", 180.0)])}
    assert cards["DATE-OBS"] == cards["DATE-BEG"] == "2026-03-24T00:10:00.000"
    assert cards["MJD-OBS"] == cards["MJD-BEG"]
    assert cards["DATE-AVG"] == "2026-03-24T00:11:30.000"
    starts = ["2026-03-24T00:10:00", "2026-03-24T00:10:04"]
    cards = {card[0]: card[1] for card in exposure_cards([(start, 0.0) for start in starts])}
    assert cards["DATE-AVG"] == "2026-03-24T00:10:02.000"


def test_an_unknown_exposure_gives_no_total():
    """The cards say nothing of a total that is not known, and the dates stay."""
    frames = [("2026-03-24T00:10:00", None), ("2026-03-24T00:20:00", 60.0)]
    cards = {card[0]: card[1] for card in exposure_cards(frames)}
    assert "EXPTIME" not in cards
    assert (cards["NCOMBINE"], cards["DATE-END"]) == (2, "2026-03-24T00:21:00.000")
    assert "DATE-OBS" not in dict(card[:2] for card in exposure_cards([("", None)]))


def test_the_average_counts_a_leap_second():
    """The last minute of 2016 had 61 seconds: the middle of 11 s from 23:59:55 is in the 61st."""
    cards = {card[0]: card[1] for card in exposure_cards([("2016-12-31T23:59:55", 11.0)])}
    assert cards["DATE-AVG"] == "2016-12-31T23:59:60.500"


def test_leap_seconds_are_counted():
    """An exposure across the leap second at the end of 2016 ends a second earlier on the clock."""
    cards = {card[0]: card[1] for card in exposure_cards([("2016-12-31T23:59:50", 20.0)])}
    assert cards["DATE-END"] == "2017-01-01T00:00:09.000"


@pytest.mark.parametrize("day", ["2016-12-30", "2016-12-31", "2017-01-01", "2026-06-30"])
def test_span_is_that_of_astropy(day):
    """Ends and MJDs are those of astropy.time on any day, to the millisecond."""
    frames = [(f"{day}T{hour:02}:59:59.{hour:02}7", 3600.0123 * hour) for hour in range(0, 24, 3)]
    cards = {card[0]: card[1] for card in exposure_cards(frames)}
    starts = Time([start for start, _ in frames], scale="utc")
    ends = starts + TimeDelta([length for _, length in frames], format="sec")
    assert (cards["DATE-BEG"], cards["DATE-END"]) == (starts.min().isot, ends.max().isot)
    assert cards["MJD-BEG"] == pytest.approx(starts.min().mjd, abs=1e-8)
    assert cards["MJD-END"] == pytest.approx(ends.max().mjd, abs=1e-8)


@pytest.mark.parametrize("start", ["", "2026-03-24"])
def test_frames_without_a_time_are_counted_all_the_same(start):
    """Frames that have no time of day give number and total, and no dates."""
    cards = {card[0]: card[1] for card in exposure_cards([(start, 60.0), (start, 60.0)])}
    assert cards == {"NCOMBINE": 2, "EXPTIME": 120.0}


def test_notes_are_numbered():
    """What was not done stands in NOTDONE1 and on, nine at most."""
    cards = note_cards([f"note {n}" for n in range(12)])
    assert [card[0] for card in cards] == [f"NOTDONE{n}" for n in range(1, 10)]
    assert cards[0][1] == "note 0"


def test_equipment_is_told_in_standard_keywords():
    """Camera, telescope and site get the keywords of FITS 4.0; what is not given gets none."""
    site = {"latitude_deg": 46.2, "longitude_deg": 14.1, "elevation_m": 640.0}
    cards = equipment_cards({"camera": "Heronmere M15", "site": site})
    assert [card[:2] for card in cards] == [
        ("INSTRUME", "Heronmere M15"),
        ("OBSGEO-B", 46.2),
        ("OBSGEO-L", 14.1),
        ("OBSGEO-H", 640.0),
    ]
    assert equipment_cards({}) == []
