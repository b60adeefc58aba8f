"""Packed designations and dates of the Minor Planet Center, written out.

Source: "Packed Provisional and Permanent Designations" and "Packed Dates" on minorplanetcenter.net.
"""

import string
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

_DIGITS = string.digits + string.ascii_uppercase + string.ascii_lowercase
_HALF_MONTHS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_ORDER = "ABCDEFGHJKLMNOPQRSTUVWXYZ"
_CENTURIES = {"I": 18, "J": 19, "K": 20, "L": 21}
_SURVEYS = {"PL": "P-L", "T1": "T-1", "T2": "T-2", "T3": "T-3"}
_BASE62_FROM = 620000
_CYCLES_FROM = 620
_OLD_STYLE_BEFORE = 1925


@dataclass(frozen=True)
class Identity:
    """Designations as ADES has them: ``permanent`` (permID) and ``provisional`` (provID), or ''."""

    permanent: str = ""
    provisional: str = ""


def minor_planet(packed: str) -> Identity:
    """Return the designation of a minor planet.

    Parameters
    ----------
    packed : str
        5 characters of a number (``00001``, ``A0001``, ``~0000``) or 7 of a provisional
        designation (``K07Tf8A``, ``PLS2040``, ``_QC0000``).

    Raises
    ------
    ValueError
        It is neither.
    """
    text = packed.strip()
    try:
        if len(text) == 5:
            return Identity(permanent=str(_number(text)))
        if len(text) == 7:
            return Identity(provisional=_provisional(text))
    except (ValueError, KeyError, IndexError) as error:
        raise ValueError(_refusal(packed)) from error
    raise ValueError(_refusal(packed))


def comet(number: str, kind: str, packed: str) -> Identity:
    """Return the designation of a comet.

    Parameters
    ----------
    number : str
        Columns 1 to 4: the number of a periodic comet, or blank.
    kind : str
        Column 5: C, P, D, X, A or I.
    packed : str
        Columns 6 to 12: the provisional designation (``K14A010``, fragment B ``K14A01b``), or
        blank, or for a numbered comet the letters of its fragment.

    Raises
    ------
    ValueError
        It is none.
    """
    digits, text = number.strip(), packed.strip()
    try:
        if digits:
            fragment = text.upper() if text.isalpha() and len(text) <= 2 else ""
            permanent = f"{int(digits)}{kind}" + (f"-{fragment}" if fragment else "")
            return Identity(permanent=permanent)
        if len(text) == 7 and kind.strip():
            return Identity(provisional=f"{kind}/{_comet_provisional(text)}")
    except (ValueError, KeyError, IndexError) as error:
        raise ValueError(_refusal(number + kind + packed)) from error
    raise ValueError(_refusal(number + kind + packed))


def epochs(text: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
    """Return Julian days (at 0 h) of packed dates.

    Parameters
    ----------
    text : numpy.ndarray
        ``(n, 5)`` characters: century (I to L), two digits of the year, month (1-9, A-C), day
        (1-9, A-V).

    Returns
    -------
    numpy.ndarray
        ``(n,)``, NaN where it is no date.
    """
    table = np.full(256, -1)
    for value, letter in enumerate(_DIGITS[:32]):
        table[ord(letter)] = value
    century = np.full(256, -1)
    for letter, value in _CENTURIES.items():
        century[ord(letter)] = value
    hundreds, tens, ones = century[text[:, 0]], table[text[:, 1]], table[text[:, 2]]
    month, day = table[text[:, 3]], table[text[:, 4]]
    sound = (hundreds > 0) & (tens >= 0) & (tens < 10) & (ones >= 0) & (ones < 10)
    sound &= (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    return np.where(sound, julian_day(hundreds * 100 + tens * 10 + ones, month, day), np.nan)


def julian_day(
    year: npt.ArrayLike, month: npt.ArrayLike, day: npt.ArrayLike
) -> npt.NDArray[np.float64]:
    """Return Julian days of Gregorian dates (Meeus 1998, equation 7.1); ``day`` has a fraction."""
    y, m = np.asarray(year), np.asarray(month)
    early = m <= 2
    y, m = np.where(early, y - 1, y), np.where(early, m + 12, m)
    century = y // 100
    leap = 2 - century + century // 4
    whole = np.floor(365.25 * (y + 4716)) + np.floor(30.6001 * (m + 1)) + leap - 1524.5
    return np.asarray(whole + day, dtype=float)


def _number(text: str) -> int:
    if text[0] == "~":
        return _BASE62_FROM + _base62(text[1:])
    return _DIGITS.index(text[0]) * 10000 + int(_all_digits(text[1:]))


def _provisional(text: str) -> str:
    if text[:2] in _SURVEYS and text[2] == "S":
        return f"{int(_all_digits(text[3:]))} {_SURVEYS[text[:2]]}"
    if text[0] == "_":
        year = 2000 + _DIGITS.index(text[1])
        order = _base62(text[3:])
        cycle, letter = _CYCLES_FROM + order // 25, _ORDER[order % 25]
        return f"{year} {_letter(text[2], _HALF_MONTHS)}{letter}{cycle}"
    year = _CENTURIES[text[0]] * 100 + int(_all_digits(text[1:3]))
    half = _letter(text[3], _HALF_MONTHS)
    cycle = _DIGITS.index(text[4]) * 10 + int(_all_digits(text[5]))
    if year < _OLD_STYLE_BEFORE and not cycle:
        return f"A{year % 1000:03d} {half}{_letter(text[6], _ORDER)}"
    return f"{year} {half}{_letter(text[6], _ORDER)}{cycle or ''}"


def _comet_provisional(text: str) -> str:
    if text[6] in _ORDER:
        return _provisional(text)
    year = _CENTURIES[text[0]] * 100 + int(_all_digits(text[1:3]))
    order = _DIGITS.index(text[4]) * 10 + int(_all_digits(text[5]))
    fragment = "" if text[6] == "0" else f"-{_letter(text[6].upper(), _HALF_MONTHS)}"
    return f"{year} {_letter(text[3], _HALF_MONTHS)}{order}{fragment}"


def _base62(text: str) -> int:
    value = 0
    for letter in text:
        value = value * 62 + _DIGITS.index(letter)
    return value


def _all_digits(text: str) -> str:
    if not (text.isascii() and text.isdigit()):
        msg = f"{text!r} has no digits only"
        raise ValueError(msg)
    return text


def _letter(letter: str, allowed: str) -> str:
    if letter not in allowed:
        msg = f"{letter!r} is none of {allowed}"
        raise ValueError(msg)
    return letter


def _refusal(packed: str) -> str:
    return f"{packed!r} is no packed designation of the Minor Planet Center"
