"""Values of ADES elements: what the submission schema, version 2022, allows in each."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

_LEAP_YEARS = {
    "06-30": {1972, 1981, 1982, 1983, 1985, 1992, 1993, 1994, 1997, 2012, 2015},
    "12-31": {*range(1972, 1980), 1987, 1989, 1990, 1995, 1998, 2005, 2008, 2016},
}
_LEAP_SECONDS_UNKNOWN_FROM = 2017
_TIME = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?Z"
_LEAP_TIME = r"(\d{4})-(06-30|12-31)T23:59:60(\.\d+)?Z"
_PERMANENT = (
    r"\d+([IPD](-[A-Z]{1,2})?)?|(Mars|Jupiter|Saturn|Uranus|Neptune) \d{1,3}|\(\d+\) \d{1,3}"
)
_PROVISIONAL = (
    r"\d{4} [A-HJ-Y][A-HJ-Z]\d*|\d{4} (P-L|T-[123])|[ADCPX]/\d{4} [A-Z]{1,2}\d*(-[A-Z])?"
    r"|S/\d{4} ([MJSUN]|\((\d+|\d{4} [A-HJ-Y][A-HJ-Z]?\d+)\)) \d+|A[89]\d\d [A-HJ-Y][A-HJ-Z]"
)
_PLANETS = "Mercury|Venus|Earth|Moon|Mars|Jupiter|Saturn|Uranus|Neptune"


@dataclass(frozen=True)
class Value:
    """What an element may contain.

    Attributes
    ----------
    description : str
        For messages: "a decimal number ...".
    pattern : str
        Regular expression of the whole text.
    longest : int
        Characters.
    within : callable, optional
        Condition on the number.
    test : callable, optional
        Condition on the text.
    trimmed : bool
        Whether blanks around the value do not count, as in numbers of XML schemas.
    """

    description: str
    pattern: str
    longest: int = 10**6
    within: Callable[[float], bool] | None = None
    test: Callable[[str], bool] | None = None
    trimmed: bool = False

    def allows(self, given: str) -> bool:
        """Return whether a text is allowed."""
        text = given.strip(" \t\r\n") if self.trimmed else given
        if len(text) > self.longest or not re.fullmatch(self.pattern, text):
            return False
        if self.within is not None and not (_is_number(text) and self.within(float(text))):
            return False
        return self.test is None or self.test(text)


def _is_number(text: str) -> bool:
    return bool(re.search(r"[0-9]", text)) and text[-1] not in "eE+-"


def _string(longest: int) -> Value:
    said = f"text of at most {longest} characters, without '|'"
    return Value(said, r"[^|]*[^|\s][^|]*", longest)


def _word(longest: int, letters: str = "A-Za-z0-9_", shortest: int = 1) -> Value:
    size = f"at most {longest}" if shortest == 1 else f"{shortest} to {longest}"
    return Value(f"{size} characters of {letters}", f"[{letters}]{{{shortest},}}", longest)


def _decimal(width: int) -> Value:
    said = f"a decimal number of at most {width} characters beside its sign"
    pattern = rf"(?=[+-]?[0-9.]{{1,{width}}}\Z)[+-]?(0|[1-9][0-9]*)(\.[0-9]*)?"
    return Value(said, pattern, trimmed=True)


def _positive(width: int, most: float = 1e5) -> Value:
    said = f"a positive decimal number of at most {width} characters"
    pattern = rf"(?=[0-9.]{{1,{width}}}\Z)(0|[1-9][0-9]*)(\.[0-9]*)?"
    return Value(said, pattern, within=lambda x: 0 < x < most, trimmed=True)


def _floating(width: int) -> Value:
    said = f"a number of at most {width} characters beside its sign"
    pattern = (
        rf"(?=[+-]?[-+Ee0-9.]{{1,{width}}}\Z)[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?"
    )
    return Value(said, pattern, trimmed=True)


def _one_of(*allowed: str, trimmed: bool = False) -> Value:
    pattern = "|".join(re.escape(one) for one in allowed)
    return Value("one of " + ", ".join(allowed), pattern, trimmed=trimmed)


def _is_time(text: str) -> bool:
    """Return whether a text is a UTC time; leap seconds count where they were or may be."""
    leap = re.fullmatch(_LEAP_TIME, text)
    if leap:
        year = int(leap[1])
        return year in _LEAP_YEARS[leap[2]] or year >= _LEAP_SECONDS_UNKNOWN_FROM
    if not re.fullmatch(_TIME, text):
        return False
    try:
        datetime.fromisoformat(text[:19])
    except ValueError:
        return False
    return True


_RIGHT_ASCENSION = Value(
    "degrees from 0 to below 360, at most 9 decimals",
    r"([1-3][0-9]{2}|[1-9]?[0-9])?(\.[0-9]{0,9})?",
    within=lambda x: 0 <= x < 360,
    trimmed=True,
)
_DECLINATION = Value(
    "degrees from -90 to 90, at most 9 decimals",
    r"[+-]?([1-9]?[0-9])?(\.[0-9]{0,9})?",
    within=lambda x: -90 <= x <= 90,
    trimmed=True,
)
_CORRELATION = Value(
    "between -1 and 1, at most 11 decimals",
    r"[+-]?[01](\.[0-9]{0,11})?",
    within=lambda x: -1 < x < 1,
    trimmed=True,
)
_MAGNITUDE = Value(
    "a magnitude from -5 to 35, at most 7 characters beside its sign",
    _decimal(7).pattern,
    within=lambda x: -5 <= x <= 35,
    trimmed=True,
)
_UTC = Value(
    "UTC as 2022-01-31T23:59:59.123Z, at most 6 decimals", ".*", test=_is_time, trimmed=True
)
_PERMANENT_ID = Value("a permanent designation, such as 1, 73P or 73P-C", _PERMANENT, 25)
_PROVISIONAL_ID = Value("a provisional designation, such as 2007 TA418", _PROVISIONAL, 25)
_CENTRE = Value("a designation or a planet", f"{_PERMANENT}|{_PROVISIONAL}|{_PLANETS}", 25)
_CATALOGUE = _word(8, ".A-Za-z0-9_")
_STATION = _word(4, shortest=3)
_LOGICAL = Value("0 or 1", r"[+-]?0+|\+?0*1", trimmed=True)
_STARS = Value(
    "a positive whole number below 1000000",
    r"\+?[0-9]+",
    within=lambda x: 0 < x < 1e6,
    trimmed=True,
)
_COVARIANCES = ("posCov11", "posCov12", "posCov13", "posCov22", "posCov23", "posCov33")

OBSERVATION_VALUES: dict[str, Value] = {
    "permID": _PERMANENT_ID,
    "provID": _PROVISIONAL_ID,
    "artSat": _string(25),
    "trkSub": _word(8, "-A-Za-z0-9_"),
    "obsSubID": _string(35),
    "mode": _word(3),
    **dict.fromkeys(("stn", "trx", "rcv"), _STATION),
    "sys": _one_of("WGS84", "ITRF", "IAU", "ICRF_AU", "ICRF_KM"),
    "ctr": Value("399", r"\+?0*399", trimmed=True),
    **dict.fromkeys(("pos1", "pos2", "pos3", "vel1", "vel2", "vel3"), _decimal(13)),
    **dict.fromkeys(_COVARIANCES, _floating(20)),
    "obsTime": _UTC,
    **dict.fromkeys(("rmsTime", "uncTime"), _positive(8)),
    **dict.fromkeys(("ra", "raStar", "pa"), _RIGHT_ASCENSION),
    **dict.fromkeys(("dec", "decStar"), _DECLINATION),
    "obsCenter": _CENTRE,
    **dict.fromkeys(("deltaRA", "deltaDec"), _decimal(9)),
    "dist": _positive(10),
    **dict.fromkeys(("rmsRA", "rmsDec"), _positive(7)),
    **dict.fromkeys(("rmsDist", "rmsPA", "rmsDelay", "rmsDoppler"), _positive(6)),
    "rmsCorr": _CORRELATION,
    "delay": _positive(14),
    "doppler": _decimal(13),
    **dict.fromkeys(("astCat", "photCat"), _CATALOGUE),
    "mag": _MAGNITUDE,
    **dict.fromkeys(("rmsMag", "photAp", "seeing", "exp", "rmsFit"), _positive(6)),
    **dict.fromkeys(("band", "fltr"), _word(3)),
    "logSNR": _decimal(5),
    **dict.fromkeys(("shapeOcc", "com"), _LOGICAL),
    "nStars": _STARS,
    "frq": Value(
        "a positive number of at most 16 characters", r"[0-9.]{1,16}", within=lambda x: x > 0
    ),
    "disc": _one_of("*", "+"),
    "notes": _word(6),
    "remarks": _string(300),
}
"""Elements of observations."""

CONTEXT_VALUES: dict[str, dict[str, Value]] = {
    "observatory": {"mpcCode": _STATION, "name": _string(100)},
    "submitter": {"name": _string(100), "institution": _string(100)},
    "telescope": {
        "name": _string(100),
        "design": _string(35),
        "aperture": _positive(6),
        "detector": _string(25),
        "fRatio": _positive(6),
        "filter": _string(25),
        "arraySize": _string(25),
        "pixelScale": _positive(6),
    },
    "software": {
        "astrometry": _string(100),
        "fitOrder": _string(25),
        "photometry": _string(100),
        "objectDetection": _string(100),
    },
    **dict.fromkeys(
        ("observers", "measurers", "coinvestigators", "collaborators"), {"name": _string(100)}
    ),
    "comment": {"line": _string(100)},
    "fundingSource": {"": _string(100)},
}
"""Elements of the header, and what each has within; '' is its own text."""
