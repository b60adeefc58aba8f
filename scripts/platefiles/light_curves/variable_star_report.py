"""Reports of variable stars in the AAVSO Extended File Format, version 1.2.

Checked against https://www.aavso.org/aavso-extended-file-format (of 2021): the six parameters, the
order of the fields, ``na`` for what is missing, a comment sign before blank lines, and the lengths
of NAME, DATE, MAG and MERR. From memory: the codes of filters, and all other lengths.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from platefiles.core.errors import UserError

FIELDS = (
    *("NAME", "DATE", "MAG", "MERR", "FILT", "TRANS", "MTYPE", "CNAME", "CMAG", "KNAME", "KMAG"),
    *("AMASS", "GROUP", "CHART", "NOTES"),
)
FILTERS = frozenset(
    (
        *("U", "B", "V", "R", "I", "J", "H", "K", "TG", "TB", "TR", "CV", "CR", "SZ", "SU", "SG"),
        *("SR", "SI", "STB", "STY", "STHBW", "STHBN", "MA", "MB", "MI", "ZS", "Y", "HA", "HAC"),
        "O",
    )
)
"""Codes of filters: Johnson, Cousins, Sloan, Stroemgren, one-shot colour, clear (CV, CR), H alpha;
``O`` stands for any other."""
_LENGTHS = {
    "NAME": 30,
    "DATE": 16,
    "MAG": 8,
    "MERR": 6,
    "FILT": 5,
    "CNAME": 20,
    "CMAG": 8,
    "KNAME": 20,
    "KMAG": 8,
    "AMASS": 7,
    "CHART": 20,
    "NOTES": 100,
}
_OBSERVER = re.compile(r"[A-Za-z0-9]{2,5}")
_ENSEMBLE = "ENSEMBLE"


@dataclass(frozen=True)
class ReportHead:
    """Who reports, and how the star was observed.

    Attributes
    ----------
    observer_code : str
        As the association assigned it to the observer.
    software : str
        Name and version.
    filter_code : str
        One of `FILTERS`.
    transformed : bool
        Whether magnitudes are transformed to the standard system by colour.
    standard : bool
        Whether magnitudes are tied to a catalogue's; else they are differential.
    chart : str
        Name of the sequence of comparison stars.
    """

    observer_code: str
    software: str
    filter_code: str
    transformed: bool = False
    standard: bool = True
    chart: str = ""


@dataclass(frozen=True)
class Observation:
    """One measurement of a variable star.

    Attributes
    ----------
    name : str
        Of the star, as in the association's index.
    jd_utc : float
        Mid-exposure, Julian Date, UTC.
    magnitude, error : float
    check_name : str
        Name of the check star; empty = none.
    check_magnitude : float
        NaN = none.
    airmass : float
        NaN = unknown.
    notes : str
    """

    name: str
    jd_utc: float
    magnitude: float
    error: float
    check_name: str = ""
    check_magnitude: float = math.nan
    airmass: float = math.nan
    notes: str = ""


def variable_star_report(head: ReportHead, observations: Sequence[Observation]) -> bytes:
    """Return a report of variable stars measured against an ensemble of comparison stars.

    Parameters
    ----------
    head : ReportHead
    observations : sequence of Observation
        Those without a finite magnitude are left out.

    Returns
    -------
    bytes
        ASCII, for a file that ends in ``.txt``.

    Raises
    ------
    UserError
        Without an observer code, a known filter or the star's name, or if a field is too long.
    """
    _check(head)
    lines = [
        "#TYPE=EXTENDED",
        f"#OBSCODE={head.observer_code.upper()}",
        f"#SOFTWARE={_plain(head.software)[:255]}",
        "#DELIM=,",
        "#DATE=JD",
        "#OBSTYPE=CCD",
        "#" + ",".join(FIELDS),
    ]
    lines += [_line(head, one) for one in observations if math.isfinite(one.magnitude)]
    return ("\n".join(lines) + "\n").encode("ascii")


def _check(head: ReportHead) -> None:
    if not head.observer_code:
        msg = (
            "a report of variable stars needs your observer code, which the association assigns: "
            "enter it in the project file"
        )
        raise UserError(msg)
    if not _OBSERVER.fullmatch(head.observer_code):
        msg = f"'{head.observer_code}' is no observer code: 2 to 5 letters and digits are expected"
        raise UserError(msg)
    if head.filter_code not in FILTERS:
        msg = (
            f"'{head.filter_code}' is no filter code of the report; "
            f"choose one of {', '.join(sorted(FILTERS))}"
        )
        raise UserError(msg)


def _line(head: ReportHead, one: Observation) -> str:
    """Return the line of one measurement."""
    if not one.name:
        msg = "a report of variable stars needs the name of each star"
        raise UserError(msg)
    fields = {
        "NAME": one.name,
        "DATE": f"{one.jd_utc:.5f}",
        "MAG": _number(one.magnitude),
        "MERR": _number(one.error),
        "FILT": head.filter_code,
        "TRANS": "YES" if head.transformed else "NO",
        "MTYPE": "STD" if head.standard else "DIF",
        "CNAME": _ENSEMBLE,
        "CMAG": "na",
        "KNAME": one.check_name,
        "KMAG": _number(one.check_magnitude),
        "AMASS": _number(one.airmass),
        "GROUP": "na",
        "CHART": head.chart,
        "NOTES": one.notes,
    }
    return ",".join(_field(name, fields[name]) for name in FIELDS)


def _field(name: str, text: str) -> str:
    """Return a field without delimiters; ``na`` if it is empty."""
    text = _plain(text)
    longest = _LENGTHS.get(name, len(text))
    if len(text) > longest:
        msg = f"{name} of a report of variable stars has {longest} characters at most: '{text}'"
        raise UserError(msg)
    return text or "na"


def _plain(text: str) -> str:
    """Return text as ASCII without commas and line ends, which would end the field."""
    ascii_only = text.encode("ascii", "replace").decode()
    return " ".join(ascii_only.replace(",", ";").replace("#", " ").split())


def _number(value: float) -> str:
    return f"{value:.3f}" if math.isfinite(value) else ""
