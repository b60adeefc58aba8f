"""Times and angles in the many spellings of headers."""

import math
import re
from datetime import datetime, timedelta

_DATE = (
    r"(?:(?P<year>\d{4})[-/](?P<month>\d{1,2})[-/](?P<day>\d{1,2})"
    r"|(?P<old_day>\d{1,2})/(?P<old_month>\d{1,2})/(?P<old_year>\d{4}|\d{2}))"
)
_TIME = (
    r"(?P<hour>\d{1,2}):(?P<minute>\d{1,2})(?::(?P<second>\d{1,2}(?:[.,]\d*)?))?"
    r"\s*(?P<zone>Z|UTC?|[+-]\d{2}:?(?:\d{2})?)?"
)
_DATE_TIME = re.compile(rf"\s*{_DATE}(?:(?:T|\s+){_TIME})?\s*", re.IGNORECASE)
_TIME_ONLY = re.compile(rf"\s*{_TIME}\s*", re.IGNORECASE)
_ANGLE = re.compile(
    r"\s*(?P<sign>[+-]?)\s*(?P<whole>\d+(?:\.\d*)?)"
    r"(?:[\s:dh°]+(?P<minute>\d+(?:\.\d*)?))?(?:[\s:m']+(?P<second>\d+(?:\.\d*)?))?"
    r"[\s:s\"'d°]*(?P<side>[NSEW]?)\s*",
    re.IGNORECASE,
)


def start_utc(date: str, time: str) -> str:
    """Convert the cards of a start time to ISO 8601 in UTC.

    Parameters
    ----------
    date : str
        DATE-OBS: ISO 8601 with or without time, fraction and time zone, or the ``DD/MM/YY`` of FITS
        files before 2000 (FITS 4.0, section 9.1.2). Two-digit years below 70 mean 20YY, since no
        electronic camera is older.
    time : str
        A separate time card, or empty.

    Returns
    -------
    str
        ``YYYY-MM-DDThh:mm:ss.sss``; the date alone if the time is unknown; empty if the cards are
        invalid or outside the years 1900 to 2100: an unset clock gives year 1.
    """
    matched = _DATE_TIME.fullmatch(date)
    if not matched:
        return ""
    parts = matched.groupdict()
    try:
        day = _day(parts)
        if parts["hour"] is None:
            separate = _TIME_ONLY.fullmatch(time) or _DATE_TIME.fullmatch(time)
            parts = separate.groupdict() if separate else parts
            day = _day(parts) if parts.get("year") and parts["hour"] else day
        if parts["hour"] is None:
            return day.date().isoformat()
        return _with_time(day, parts).isoformat(timespec="milliseconds")
    except (ValueError, OverflowError):
        return ""


def utc_of_mjd(mjd: float) -> str:
    """Convert a modified Julian date to ISO 8601; empty outside the years 1900 to 2100."""
    if not 15_020 <= mjd <= 88_069:
        return ""
    return (datetime(1858, 11, 17) + timedelta(days=mjd)).isoformat(timespec="milliseconds")


def julian_year(start: str, exposure_s: float) -> float | None:
    """Return the Julian year of the middle of an exposure; None if its day is unknown.

    Parameters
    ----------
    start : str
        As `start_utc` gives it.
    exposure_s : float
    """
    if not start:
        return None
    middle = datetime.fromisoformat(start.rstrip("Z")) + timedelta(seconds=exposure_s / 2)
    return 2000.0 + (middle - datetime(2000, 1, 1, 12)) / timedelta(days=365.25)


def night_of(start: str, longitude_deg: float | None) -> str:
    """Return the evening date of the night, noon to noon in local mean solar time.

    Parameters
    ----------
    start : str
        Output of `start_utc`. A date without time is returned unchanged.
    longitude_deg : float or None
        East positive; if unknown, UTC is used.

    Returns
    -------
    str
        ``YYYY-MM-DD`` or ``undated``.
    """
    if "T" not in start:
        return start or "undated"
    solar = datetime.fromisoformat(start) + timedelta(hours=(longitude_deg or 0.0) / 15 - 12)
    return solar.date().isoformat()


def angle(text: str) -> tuple[float, str] | None:
    """Return an angle in units of its first number, sexagesimal or decimal.

    Returns
    -------
    value : float
        Negative for a leading minus and for the sides S and W.
    side : str
        N, S, E, W or empty.
    """
    matched = _ANGLE.fullmatch(text)
    if not matched:
        return None
    minute, second = float(matched["minute"] or 0), float(matched["second"] or 0)
    if minute >= 60 or second >= 60.0001:
        return None
    value = float(matched["whole"]) + minute / 60 + second / 3600
    side = matched["side"].upper()
    if matched["sign"] == "-" or side in ("S", "W"):
        value = -value
    return (value, side) if math.isfinite(value) else None


def _day(parts: dict[str, str]) -> datetime:
    if parts["year"]:
        return _sensible(int(parts["year"]), int(parts["month"]), int(parts["day"]))
    year = int(parts["old_year"])
    if len(parts["old_year"]) == 2:
        year += 1900 if year >= 70 else 2000
    return _sensible(year, int(parts["old_month"]), int(parts["old_day"]))


def _sensible(year: int, month: int, day: int) -> datetime:
    if not 1900 <= year <= 2100:
        msg = "no year of a digital camera"
        raise ValueError(msg)
    return datetime(year, month, day)


def _with_time(day: datetime, parts: dict[str, str]) -> datetime:
    hour, minute = int(parts["hour"]), int(parts["minute"])
    second = float((parts["second"] or "0").replace(",", "."))
    if hour > 24 or minute > 59 or second >= 61:
        msg = "no time of day"
        raise ValueError(msg)
    zone = re.fullmatch(r"([+-])(\d{2}):?(\d{2})?", parts["zone"] or "")
    ahead = 0.0
    if zone:
        ahead = int(zone[2]) * 60 + int(zone[3] or 0)
        ahead = -ahead if zone[1] == "-" else ahead
    return day + timedelta(hours=hour, minutes=minute - ahead, seconds=second)
