"""Read the dialects of FITS headers into one set of facts."""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from platefiles.fits import keywords
from platefiles.fits.header_reader import Value
from platefiles.frames.filters import canonical_filter
from platefiles.frames.fixed_header import FixedHeader, read_number
from platefiles.frames.frame_type import MISSING, kind_of_path, kind_of_type
from platefiles.frames.times import angle, start_utc, utc_of_mjd

_PER_ADU = re.compile(r"e-?/|electrons?\b|e-? per|photo-?e", re.IGNORECASE)
_MILLISECONDS = re.compile(r"\bms\b|milli-?sec", re.IGNORECASE)
_LOCAL_TIME = re.compile(r"(?i:\blocal\b)|\bLT\b")
_ZONE = re.compile(r".*:\d.*(?:Z|UTC?|[+-]\d{2}(?::?\d{2})?)\s*", re.IGNORECASE)
_KELVIN = re.compile(r"(?i:kelvin)|\bK\b")
_ZERO_CELSIUS_K = 273.15
_UNTYPED = (
    "has no frame type (no IMAGETYP, and neither folder nor file name gives one); "
    "set IMAGETYP under `header_fixes`"
)


@dataclass(frozen=True)
class Facts:
    """The facts of a header in fixed units; None or empty if missing."""

    role: str
    """bias, dark, flat, light, or empty with a `problem`."""
    problem: str
    filter: str
    exposure_s: float | None
    gain: float | None
    """Gain setting of the camera."""
    egain: float | None
    """Electrons per ADU."""
    offset: float | None
    temperature_c: float | None
    binning: str
    start_utc: str
    camera: str
    target: str
    unit: str
    pedestal: float
    ra_deg: float | None
    dec_deg: float | None
    focal_length_mm: float | None
    pixel_size_um: float | None
    scale_arcsec: float | None
    """Side of a pixel on the sky."""
    latitude_deg: float | None
    longitude_deg: float | None
    """As the header has it: see `longitude_is_east`."""
    longitude_is_east: bool
    """False where some programs count west as positive and this header does not say."""
    colour: str
    """The card that speaks of a colour filter array; empty for a monochrome sensor."""
    sections: Mapping[str, str]
    """Sections of image and overscan by keyword, as texts."""


def read_facts(
    header: Mapping[str, Value],
    inside: str = "",
    folder: str = "",
    fixes: Mapping[str, Value] | None = None,
    untyped: str = "",
) -> Facts:
    """Return the facts of a header of any known dialect.

    Parameters
    ----------
    header : mapping
        Value by keyword.
    inside : str
        Path inside the raw folder, from which the kind is read if IMAGETYP is missing.
    folder : str
        Name of the raw folder.
    fixes : mapping, optional
        Cards that override the header (see `platefiles.frames.fixed_header.fixes_for`).
    untyped : str
        Role of a frame of unknown kind; if empty, an unknown kind is a problem.

    Returns
    -------
    Facts
    """
    cards = FixedHeader(header, fixes or {})
    exposure = _exposure(cards)
    gain, egain = _gains(cards)
    role, problem = _role(cards, inside, folder, exposure)
    if not role and problem == _UNTYPED and untyped:
        role, problem = untyped, ""
    longitude, is_east = _longitude(cards)
    return Facts(
        role=role,
        problem=problem,
        filter=_filter(cards),
        exposure_s=exposure,
        gain=gain,
        egain=egain,
        offset=cards.number(keywords.OFFSET),
        temperature_c=_temperature(cards),
        binning=_binning(cards),
        start_utc=_start(cards),
        camera=" ".join(cards.text(keywords.CAMERA).split()),
        target=" ".join(cards.text(keywords.TARGET).split()),
        unit=cards.text(keywords.UNIT),
        pedestal=cards.number(keywords.PEDESTAL) or 0.0,
        ra_deg=_right_ascension(cards.get(keywords.RA)),
        dec_deg=_within(_degrees(cards.get(keywords.DEC)), 90),
        focal_length_mm=_positive(cards.number(keywords.FOCAL_LENGTH)),
        pixel_size_um=_positive(cards.number(keywords.PIXEL_SIZE)),
        scale_arcsec=_scale(cards),
        latitude_deg=_within(_degrees(cards.get(keywords.LATITUDE)), 90),
        longitude_deg=longitude,
        longitude_is_east=is_east,
        colour=cards.colour_evidence(),
        sections=cards.sections(),
    )


def _role(cards: FixedHeader, inside: str, folder: str, exposure: float | None) -> tuple[str, str]:
    strange = ""
    for key in keywords.TYPE:
        value = cards.text((key,))
        kind = kind_of_type(value)
        if kind == "master":
            return "", f"is a combined master already ({key} = {value!r}); single frames are needed"
        if kind:
            return kind, ""
        if key != "FRAME" and value.lower() not in MISSING and not strange:
            strange = f"{key} = {value!r}"
    kind = kind_of_path(inside, folder)
    if kind:
        return kind, ""
    if strange:
        return "", f"{strange} is no known kind of frame; set IMAGETYP under `header_fixes`"
    if _filter(cards) and exposure:
        return "light", ""
    return "", _UNTYPED


def _gains(cards: FixedHeader) -> tuple[float | None, float | None]:
    """Return the gain setting and electrons per ADU.

    EGAIN is always electrons per ADU. GAIN is a setting, unless its comment says electrons, or it
    is no whole number, or it repeats EGAIN: then it is electrons per ADU as well.
    """
    gain, egain = cards.number(keywords.GAIN), cards.number(keywords.EGAIN)
    comment = cards.comment(keywords.GAIN)
    if gain is not None and (_PER_ADU.search(comment) or gain != int(gain) or gain == egain):
        gain, egain = None, egain if egain is not None else gain
    return gain, _positive(egain)


def _exposure(cards: FixedHeader) -> float | None:
    """Return the exposure in seconds, converted if the comment says milliseconds."""
    value = cards.number(keywords.EXPOSURE)
    if value is not None and _MILLISECONDS.search(cards.comment(keywords.EXPOSURE)):
        value /= 1000
    return value if value is not None and 0 <= value < 1e6 else None


def _filter(cards: FixedHeader) -> str:
    """Return the filter by its keyword, or of several wheels the one that is not open."""
    return (
        cards.text(keywords.FILTER)
        or _wheel(cards, keywords.FILTER_WHEELS)
        or cards.text(keywords.OTHER_FILTER)
        or _wheel(cards, cards.by_hierarch())
    )


def _wheel(cards: FixedHeader, keys: tuple[str, ...]) -> str:
    given = [cards.get((key,)) for key in keys]
    # Numbers are positions of a wheel, which only serve where there is no name.
    named = [value for value in given if isinstance(value, str)]
    coloured = [value for value in named if not _is_open(value)]
    chosen = next((v for v in (*coloured, *named, *given) if v is not None), "")
    return str(chosen).strip()


def _is_open(name: str) -> bool:
    return canonical_filter(name) in ("open", "lum") or name.lower().startswith("clear")


def _temperature(cards: FixedHeader) -> float | None:
    """Return the sensor temperature in degrees C; kelvin if the comment says so, or above 100."""
    value = cards.number(keywords.TEMPERATURE)
    if value is not None and (value > 100 or _KELVIN.search(cards.comment(keywords.TEMPERATURE))):
        value -= _ZERO_CELSIUS_K
    return round(value, 3) if value is not None and -150 < value < 80 else None


def _scale(cards: FixedHeader) -> float | None:
    """Return the pixel scale in arcsec, if plausible for a telescope or a lens."""
    value = cards.number(keywords.SCALE)
    return value if value is not None and 0.01 <= value <= 600 else None


def _binning(cards: FixedHeader) -> str:
    x, y = cards.number(keywords.BIN_X), cards.number(keywords.BIN_Y)
    if x is None and y is None:
        numbers = re.findall(r"\d+", cards.text(keywords.BINNING))
        x, y = (float(numbers[0]), float(numbers[-1])) if numbers else (1.0, 1.0)
    x, y = x if x is not None else y, y if y is not None else x
    return f"{int(x)}x{int(y)}" if x and y and min(x, y) >= 1 and max(x, y) <= 64 else "1x1"


def _start(cards: FixedHeader) -> str:
    """Return the start in UTC. Local time without zone is used only if no card gives UTC."""
    date, time = cards.text(keywords.DATE), cards.text(keywords.TIME)
    mjd = cards.number(keywords.MJD)
    by_mjd = utc_of_mjd(mjd) if mjd is not None else ""
    if _LOCAL_TIME.search(cards.comment(keywords.DATE)) and not _ZONE.fullmatch(date):
        return start_utc(time, "") or by_mjd or start_utc(date, "")
    start = start_utc(date, time)
    return by_mjd or start if "T" not in start else start


def _longitude(cards: FixedHeader) -> tuple[float | None, bool]:
    value = _degrees(cards.get(keywords.LONGITUDE_EAST))
    is_east = value is not None
    if value is None:
        given = cards.get(keywords.LONGITUDE)
        value = _degrees(given)
        read = angle(given) if isinstance(given, str) else None
        is_east = read is not None and read[1] in ("E", "W")
    if value is None or not -360 <= value <= 360:
        return None, False
    return (value + 180) % 360 - 180, is_east


def _right_ascension(value: Value | None) -> float | None:
    """Return degrees from a number in degrees or a string in hours (OBJCTRA is always in hours)."""
    if isinstance(value, str):
        read = angle(value)
        hours = read[0] if read and re.search(r"\d[\s:h]+\d", value) else None
        degrees = hours * 15 if hours is not None else read_number(value)
    else:
        degrees = read_number(value)
    return degrees if degrees is not None and 0 <= degrees <= 360 else None


def _degrees(value: Value | None) -> float | None:
    read = angle(value) if isinstance(value, str) else None
    return read[0] if read else read_number(value)


def _positive(value: float | None) -> float | None:
    return value if value is not None and value > 0 else None


def _within(value: float | None, limit: float) -> float | None:
    return value if value is not None and abs(value) <= limit else None
