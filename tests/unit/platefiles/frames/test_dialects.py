import io
import re

import pytest

from platefiles.fits.header_cards import cards_in
from platefiles.fits.header_reader import read_header_bytes
from platefiles.frames.dialects import Facts, read_facts
from platefiles.frames.left_out import LeftOut, Why
from platefiles.frames.left_out_sentences import sentence

CMOS = {
    "IMAGETYP": "Light Frame",
    "EXPTIME": 600.0,
    "FILTER": "Ha",
    "GAIN": 100,
    "EGAIN": 0.8,
    "OFFSET": 50,
    "CCD-TEMP": -9.98,
    "SET-TEMP": -10.0,
    "XBINNING": 1,
    "YBINNING": 1,
    "DATE-OBS": "2026-03-01T21:30:00.5",
    "INSTRUME": "Mono  26",
    "OBJECT": "Invented Galaxy",
    "OBJCTRA": "10 30 00",
    "OBJCTDEC": "-05 30 00",
    "FOCALLEN": 530.0,
    "XPIXSZ": 3.76,
    "BITPIX": 16,
}


def test_a_cmos_header():
    """All facts of the dialect that most capture programs write."""
    facts = read_facts(CMOS)
    assert facts == Facts(
        role="light",
        problem="",
        filter="Ha",
        exposure_s=600.0,
        gain=100.0,
        egain=0.8,
        offset=50.0,
        temperature_c=-9.98,
        binning="1x1",
        start_utc="2026-03-01T21:30:00.500",
        camera="Mono 26",
        target="Invented Galaxy",
        unit="",
        pedestal=0.0,
        ra_deg=157.5,
        dec_deg=-5.5,
        focal_length_mm=530.0,
        pixel_size_um=3.76,
        scale_arcsec=None,
        latitude_deg=None,
        longitude_deg=None,
        longitude_is_east=False,
        colour="",
        sections={},
    )


def test_an_observatory_header():
    """Another dialect: text for numbers, kelvin, CCDSUM, a separate time, longitude by OBSGEO."""
    facts = read_facts(
        {
            "OBSTYPE": "OBJECT",
            "EXPOSURE": "53.907456",
            "FILTER": "g",
            "GAIN": 2.07,
            "DETTEMP": 253.15,
            "CCDSUM": "2 2",
            "DATE-OBS": "2018-10-13",
            "UTCSTART": "02:03:10",
            "RA": 313.72801,
            "DEC": "-6:17:42.4",
            "OBSGEO-L": -70.5,
            "BUNIT": "nanomaggy",
            "PEDESTAL": -100,
        }
    )
    assert (facts.role, facts.exposure_s, facts.filter) == ("light", 53.907456, "g")
    assert (facts.gain, facts.egain) == (None, 2.07)
    assert facts.temperature_c == pytest.approx(-20.0)
    assert (facts.binning, facts.start_utc) == ("2x2", "2018-10-13T02:03:10.000")
    assert facts.ra_deg == pytest.approx(313.72801)
    assert facts.dec_deg == pytest.approx(-6.29511, abs=1e-5)
    assert (facts.longitude_deg, facts.longitude_is_east) == (-70.5, True)
    assert (facts.unit, facts.pedestal) == ("nanomaggy", -100.0)


@pytest.mark.parametrize(
    ("cards", "gain", "egain"),
    [
        ({"GAIN": 100, "EGAIN": 0.8}, 100.0, 0.8),
        ({"GAIN": 0}, 0.0, None),
        ({"GAIN": 2.07}, None, 2.07),
        ({"GAIN": 2, "/GAIN": "CCD gain in e-/ADU"}, None, 2.0),
        ({"GAIN": 2, "/GAIN": "electrons per unit"}, None, 2.0),
        ({"GAIN": 120, "/GAIN": "gain setting"}, 120.0, None),
        ({"GAIN": 2, "EGAIN": 2.0}, None, 2.0),
        ({"GAIN": "High"}, None, None),
        ({"EGAIN": 0.0}, None, None),
    ],
)
def test_gain_is_a_setting_unless_the_header_shows_electrons(cards, gain, egain):
    """GAIN is e-/ADU if its comment says so, if it is no whole number, or if it repeats EGAIN."""
    facts = read_facts(cards)
    assert (facts.gain, facts.egain) == (gain, egain)


@pytest.mark.parametrize(
    ("cards", "binning"),
    [
        ({"XBINNING": 2, "YBINNING": 2}, "2x2"),
        ({"XBINNING": 2}, "2x2"),
        ({"BINNING": "2x2"}, "2x2"),
        ({"BINNING": 3}, "3x3"),
        ({"CCDSUM": "1 2"}, "1x2"),
        ({"XBINNING": 0, "YBINNING": 0}, "1x1"),
        ({}, "1x1"),
    ],
)
def test_binning_dialects(cards, binning):
    """Two cards, one card, or one text."""
    assert read_facts(cards).binning == binning


@pytest.mark.parametrize(
    ("cards", "temperature"),
    [
        ({"CCD-TEMP": -19.98, "SET-TEMP": -20.0}, -19.98),
        ({"SET-TEMP": -20.0}, -20.0),
        ({"CCD-TEMP": 263.15}, -10.0),
        ({"CCD-TEMP": -999.0}, None),
        ({"CCD-TEMP": "off"}, None),
        # MicroObservatory telescopes: kelvin, and -1 for "no data".
        ({"CAMTEMP": 271.0, "/CAMTEMP": "CCD Camera Temperature in Kelvin"}, -2.15),
        ({"CAMTEMP": -1, "/CAMTEMP": "CCD Camera Temperature in Kelvin, =-1 if no data"}, None),
        ({"CAMTEMP": 271.0}, -2.15),
        # Cooled by liquid nitrogen: 110 can only be kelvin, 90 is where the unit says so.
        ({"DETTEMP": 133.15}, -140.0),
        ({"DETTEMP": 140, "/DETTEMP": "[K] detector"}, -133.15),
        # A small observatory of the nineties: text, degrees C.
        ({"CAMTEMP": "-48", "/CAMTEMP": ""}, -48.0),
    ],
)
def test_sensor_temperature(cards, temperature):
    """Measured before wanted, kelvin above 100 or by the comment, and nonsense is none."""
    assert read_facts(cards).temperature_c == temperature


@pytest.mark.parametrize(
    ("cards", "longitude", "is_east"),
    [
        ({"SITELONG": "+71 29 06.00"}, 71.485, False),
        ({"SITELONG": -71.485}, -71.485, False),
        ({"SITELONG": "71 29 06 W"}, -71.485, True),
        ({"LONG-OBS": 288.515}, -71.485, False),
        ({"SITELONG": "home"}, None, False),
    ],
)
def test_site_longitude(cards, longitude, is_east):
    """Sexagesimal or degrees; only a side or OBSGEO-L make the sign sure."""
    facts = read_facts(cards)
    assert facts.longitude_is_east is is_east
    assert facts.longitude_deg == (None if longitude is None else pytest.approx(longitude))


@pytest.mark.parametrize(
    ("cards", "expected"),
    [
        ({"FILTNAME": "V"}, "V"),
        # WFPC2 data handbook: positions in FILTER1, names in FILTNAM1 and FILTNAM2.
        ({"FILTER1": 42.0, "FILTER2": 0.0, "FILTNAM1": "F814W", "FILTNAM2": ""}, "F814W"),
        # ACS data handbook: two wheels in a row, one of them clear.
        ({"FILTER1": "CLEAR1L", "FILTER2": "F606W"}, "F606W"),
        ({"FILTER1": "Clear", "FILTER2": "R"}, "R"),
        ({"FILTER1": "air", "FILTER2": "rp"}, "rp"),
        ({"FILTER1": "air", "FILTER2": "air"}, "air"),
        ({"FILTER1": 3}, "3"),
        ({"FILTER": "Ha", "FILTER1": "R"}, "Ha"),
        # ESO data interface control document: INS FILTi NAME and ID.
        (
            {
                "HIERARCH ESO INS FILT1 ID": "#642",
                "HIERARCH ESO INS FILT1 NAME": "free",
                "HIERARCH ESO INS FILT2 NAME": "R_SPECIAL",
            },
            "R_SPECIAL",
        ),
        ({"HIERARCH FILTER NAME": "Ha"}, "Ha"),
        ({"HIERARCH CAM.FILTER": "B"}, "B"),
    ],
)
def test_filter_dialects(cards, expected):
    """One keyword, several wheels in a row, or HIERARCH keywords: the filter that is not open."""
    assert read_facts(cards).filter == expected


def test_hierarch_cards_of_other_things_are_no_filter(tmp_path):
    """Only names and identities of filters count, regardless of case."""
    names = ("ESO INS FILT1 NO", "ESO INS FILT1 WLEN", "Filter Wheel Temp", "Filter Name")
    text = "".join(
        card.ljust(80)
        for card in (
            "SIMPLE  =                    T",
            *(f"HIERARCH {name} = '{number}' / {name}" for number, name in enumerate(names)),
            "END",
        )
    )
    cards = cards_in(read_header_bytes(io.BytesIO(text.ljust(2880).encode())))
    assert [key for key in cards if key.startswith("HIERARCH")] == [
        f"HIERARCH {name.upper()}" for name in names
    ]
    assert read_facts(cards).filter == "3"


@pytest.mark.parametrize(
    ("cards", "scale"),
    [
        ({"IM_SCALE": 5.21}, 5.21),  # MicroObservatory telescopes
        ({"SECPIX": "0.304 0.304"}, 0.304),  # keyword list of WCSTools
        ({"PIXSCALE": "1.24 arcsec/pixel"}, 1.24),  # keyword dictionary of the NOAO mosaic camera
        ({"SECPIX1": 2}, 2.0),
        ({"PIXSCALE": 0.0, "SECPIX": 1.5}, None),
        ({"IM_SCALE": "unknown"}, None),
    ],
)
def test_scale_on_the_sky(cards, scale):
    """The pixel scale is a number or a string; implausible values are ignored."""
    assert read_facts(cards).scale_arcsec == scale


@pytest.mark.parametrize(
    ("cards", "exposure"),
    [
        ({"XPOSURE": 59.9}, 59.9),  # FITS standard 4.0, section 9.6
        ({"EXPTIME": 90000, "/EXPTIME": "exposure time in ms"}, 90.0),
        ({"EXPTIME": 90, "/EXPTIME": "seconds"}, 90.0),
    ],
)
def test_exposure_dialects(cards, exposure):
    """Seconds, unless the comment says milliseconds."""
    assert read_facts(cards).exposure_s == exposure


@pytest.mark.parametrize(
    ("cards", "start"),
    [
        ({"DATE-OBS": "2017-12-19T18:33:43.317-0700"}, "2017-12-20T01:33:43.317"),
        (
            {"DATE-OBS": "2017-12-19T18:33:43", "UT-OBS": "2017-12-20T01:33:43.317-0000"},
            "2017-12-20T01:33:43.317",
        ),
        ({"DATE-OBS": "2017-12-19T18:00:00", "MJD-OBS": 58107.0625}, "2017-12-20T01:30:00.000"),
        ({"DATE-OBS": "2017-12-19T18:33:43"}, "2017-12-19T18:33:43.000"),
    ],
)
def test_local_time(cards, start):
    """A time zone is subtracted; without one, a card in UTC overrides a date in local time."""
    told = {"/DATE-OBS": "Start date & time of observation, LT"}
    assert read_facts(cards | told).start_utc == start


@pytest.mark.parametrize(
    ("cards", "evidence"),
    [
        ({"BAYERPAT": "RGGB"}, "BAYERPAT = 'RGGB'"),
        ({"BAYERPAT": "gbrg", "XBAYROFF": 0}, "BAYERPAT = 'gbrg'"),
        ({"COLORTYP": "RGB24"}, "COLORTYP = 'RGB24'"),
        ({"COLORCCD": 1}, "COLORCCD = 1"),  # SBFITSEXT 1.0: other than 0
        ({"COLORCCD": True}, "COLORCCD = True"),
        ({"CFA": "TRUE"}, "CFA = 'TRUE'"),
        ({"CFATYPE": "X-Trans"}, "CFATYPE = 'X-Trans'"),
        ({"XBAYROFF": 0, "YBAYROFF": 1}, "XBAYROFF = 0"),
        ({"COLORCCD": 0, "BAYERPAT": "RGGB"}, "BAYERPAT = 'RGGB'"),
        # Of a monochrome sensor.
        ({"COLORCCD": 0}, ""),
        ({"COLORCCD": False}, ""),
        ({"COLORTYP": 0, "XBAYROFF": 0}, ""),
        ({"COLORTYP": "MONO16"}, ""),
        ({"BAYERPAT": "Monochrome"}, ""),
        ({"BAYERPAT": " none "}, ""),
        ({"CFAIMAGE": "NO"}, ""),
        ({}, ""),
    ],
)
def test_colour_sensors(cards, evidence):
    """A pattern, a flag or an offset tells of a filter array, unless the value says there is none.

    COLORCCD is of SBFITSEXT 1.0; the others are common practice, no source.
    """
    assert read_facts(cards).colour == evidence


def test_a_card_of_a_colour_sensor_can_be_erased():
    """By an empty fix, and stated by another one."""
    cards = {"BAYERPAT": "RGGB", "XBAYROFF": 0}
    assert read_facts(cards, fixes={"BAYERPAT": ""}).colour == "XBAYROFF = 0"
    assert read_facts(cards, fixes={"BAYERPAT": "none"}).colour == ""
    assert read_facts({}, fixes={"COLORCCD": 1}).colour == "COLORCCD = 1"


@pytest.mark.parametrize("cards", [{"BAYERPAT": "RGGB", "XBAYROFF": 0}, {"YBAYROFF": 1}])
def test_the_remedy_against_a_wrong_card_helps(cards):
    """What the refusal of a frame proposes under `header_fixes` makes the frame monochrome."""
    said = LeftOut.because(Why.COLOUR_SENSOR, evidence=read_facts(cards).colour)
    ((key, value),) = re.findall(r"\{(\w+): (\w+)\}", sentence(said))
    assert read_facts(cards, fixes={key: value}).colour == ""


def test_an_empty_fix_erases_a_card():
    """The card is as if it were not there, and its synonyms count."""
    cards = {"FILTER": "wrong", "FILT": "R", "CCD-TEMP": 40.0}
    facts = read_facts(cards, fixes={"FILTER": "", "CCD-TEMP": ""})
    assert (facts.filter, facts.temperature_c) == ("R", None)


def test_frame_number_is_no_type():
    """FRAME may be a running number as well as a type."""
    assert read_facts({"FRAME": 47, "FILTER": "g", "EXPTIME": 60}).role == "light"
    assert read_facts({"FRAME": "Dark"}).role == "dark"


def test_without_type_a_filter_and_an_exposure_make_a_light():
    """Only where neither header, folder nor name tell."""
    assert read_facts({"FILTER": "g", "EXPTIME": 60}, "a.fits", "raw").role == "light"
    assert read_facts({"FILTER": "g", "EXPTIME": 60}, "flats/a.fits", "raw").role == "flat"
    lost = read_facts({"EXPTIME": 60}, "a.fits", "raw")
    assert lost.role == ""
    assert "IMAGETYP under `header_fixes`" in lost.problem


def test_strange_types_and_masters_have_a_reason():
    """What is no single frame of a known kind is never guessed."""
    focus = read_facts({"IMAGETYP": "focus", "FILTER": "g", "EXPTIME": 2})
    assert (focus.role, focus.problem[:18]) == ("", "IMAGETYP = 'focus'")
    master = read_facts({"IMAGETYP": "Master Flat"})
    assert (master.role, "combined master" in master.problem) == ("", True)


@pytest.mark.parametrize("value", [-1, 1e9, "long", True])
def test_an_impossible_exposure_is_none(value):
    """Negative, absurd or no number."""
    assert read_facts({"EXPTIME": value}).exposure_s is None


def test_fixes_go_before_every_synonym():
    """A fixed EXPOSURE counts although the header has EXPTIME; a fixed GAIN has no comment."""
    facts = read_facts(CMOS | {"/GAIN": "e-/ADU"}, fixes={"EXPOSURE": 300, "GAIN": 5})
    assert (facts.exposure_s, facts.gain) == (300.0, 5.0)


def test_night_of_a_ccd(raw_series):
    """The CCD dialect: EGAIN alone, PEDESTAL, longitude positive to the west."""
    from platefiles.raw_folders.scan import scan_folders

    series = raw_series("slow-mover")
    files = {f.inside: f for f in scan_folders([series.folder], None, False)}
    facts = read_facts(files["light_015.fits.fz"].header)
    assert (facts.role, facts.filter, facts.exposure_s) == ("light", "Open", 180.0)
    assert (facts.gain, facts.egain, facts.pedestal) == (None, 2.07, -100.0)
    assert facts.temperature_c == pytest.approx(-19.977)
    assert facts.longitude_deg == pytest.approx(series.longitude_deg)
    assert not facts.longitude_is_east
    assert read_facts(files["bias_046.fits.fz"].header).role == "bias"


def test_survey_frames(raw_series):
    """No IMAGETYP, the exposure as text, the date without time, flux units."""
    from platefiles.raw_folders.scan import scan_folders

    for file in scan_folders([raw_series("gri-group").folder], None, False):
        facts = read_facts(file.header, file.inside)
        assert (facts.role, facts.filter, facts.unit) == ("light", "g", "nanomaggy")
        assert facts.exposure_s == pytest.approx(53.907456)
        assert facts.start_utc == "2000-09-27"
        assert file.width_px / file.height_px == pytest.approx(682 / 496, rel=0.01)


def test_drifting_series(raw_series):
    """No IMAGETYP, local time with its zone, IM_SCALE, kelvin, west positive."""
    from platefiles.raw_folders.scan import scan_folders

    series = raw_series("wide-drifting")
    files = scan_folders([series.folder], None, False)
    assert len(files) == series.light_count
    facts = read_facts(files[0].header, files[0].inside)
    assert (facts.role, facts.filter, facts.exposure_s) == ("light", "Clear", 60.0)
    assert (facts.scale_arcsec, facts.temperature_c) == (5.21, -2.15)
    assert facts.start_utc == "2017-12-20T01:33:43.317"
    assert (facts.ra_deg, facts.dec_deg) == pytest.approx((31.312099, 46.769087))
    assert (facts.longitude_deg, facts.longitude_is_east) == (110.88, False)
