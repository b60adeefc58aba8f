"""Check the values of `header_fixes` with the code that reads headers."""

from collections.abc import Callable
from typing import NamedTuple

from platefiles.fits import keywords
from platefiles.fits.header_reader import Value
from platefiles.frames.dialects import read_facts
from platefiles.frames.fixed_header import read_number
from platefiles.frames.frame_type import kind_of_type
from platefiles.raw_frames.sensor_sections import Section, SectionError

_ANY_DAY = "2026-01-01"


class _Reading(NamedTuple):
    """The cards of one fact, the description of a valid value, and the test for it."""

    keys: tuple[str, ...]
    must_be: str
    is_read: Callable[[str, Value], bool]


def _fact(name: str) -> Callable[[str, Value], bool]:
    return lambda key, value: getattr(read_facts({}, fixes={key: value}), name) not in (None, "")


def _is_number(key: str, value: Value) -> bool:
    return read_number(value) is not None


def _is_binning(key: str, value: Value) -> bool:
    number = read_number(value)
    return number is not None and 1 <= number <= 64


def _is_time(key: str, value: Value) -> bool:
    return "T" in read_facts({}, fixes={keywords.DATE[0]: _ANY_DAY, key: value}).start_utc


def _is_kind(key: str, value: Value) -> bool:
    return key == "FRAME" or bool(kind_of_type(str(value)))  # FRAME may be a number


def _is_section(key: str, value: Value) -> bool:
    try:
        Section.of_text(str(value))
    except SectionError:
        return False
    return True


_READINGS = (
    _Reading(keywords.TYPE, "Bias, Dark, Flat or Light", _is_kind),
    _Reading(keywords.EXPOSURE, "a number of seconds, such as 120", _fact("exposure_s")),
    _Reading(keywords.GAIN, "a number", _is_number),
    _Reading(keywords.EGAIN, "a number of electrons per ADU", _is_number),
    _Reading(keywords.OFFSET, "a number", _is_number),
    _Reading(keywords.TEMPERATURE, "a temperature in degrees C", _fact("temperature_c")),
    _Reading(keywords.BIN_X + keywords.BIN_Y, "a number from 1 to 64", _is_binning),
    _Reading(keywords.DATE, "a date from 1900 on, such as 2026-03-24T22:10:00", _fact("start_utc")),
    _Reading(keywords.TIME, "a time, such as '22:10:00'", _is_time),
    _Reading(keywords.MJD, "a modified Julian date, such as 61123.9", _fact("start_utc")),
    _Reading(keywords.PEDESTAL, "a number", _is_number),
    _Reading(keywords.RA, "a right ascension, such as '10 34 24' or 158.6", _fact("ra_deg")),
    _Reading(keywords.DEC, "a declination, such as '+29 59 57' or 29.99", _fact("dec_deg")),
    _Reading(keywords.FOCAL_LENGTH, "a length in mm above 0", _fact("focal_length_mm")),
    _Reading(keywords.PIXEL_SIZE, "a length in micrometres above 0", _fact("pixel_size_um")),
    _Reading(keywords.SCALE, "a number of arc seconds from 0.01 to 600", _fact("scale_arcsec")),
    _Reading(keywords.LATITUDE, "a latitude in degrees", _fact("latitude_deg")),
    _Reading(
        keywords.LONGITUDE + keywords.LONGITUDE_EAST,
        "a longitude in degrees",
        _fact("longitude_deg"),
    ),
    _Reading(keywords.SECTIONS, "a section, such as '[1:2048,1:1024]'", _is_section),
)


def value_problem(key: str, value: Value) -> str:
    """Return the fault of a value of `header_fixes`, or an empty text.

    Parameters
    ----------
    key : str
        One of `platefiles.fits.keywords.KEYS`.
    value : str, int, float or bool
        An empty text erases the card and is always valid.

    Returns
    -------
    str
        The expected and the given value; empty if the value is valid or any text is.
    """
    if value == "":
        return ""
    for reading in _READINGS:
        if key in reading.keys and not reading.is_read(key, value):
            given = f"'{value}'" if isinstance(value, str) else str(value).lower()
            return f"must be {reading.must_be}, or '' to remove the card (got {given})"
    return ""
