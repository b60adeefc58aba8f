"""A place in the field as it is typed: pixels of the grid, or right ascension and declination."""

import re
from dataclasses import dataclass

from platecli.arguments.naming import WrongCommand
from platefiles.frames.times import angle

_NUMBER = re.compile(r"\s*[+-]?\d+(?:\.\d*)?\s*")
_SIZE = re.compile(r"(\d{1,5})(?:x(\d{1,5}))?")
_HOURS = re.compile(r"[:h\s]")


@dataclass(frozen=True)
class Place:
    """A place in the field.

    Attributes
    ----------
    x, y : float
        Pixels of the grid, counted from 1; or right ascension and declination, degrees.
    is_sky : bool
    """

    x: float
    y: float
    is_sky: bool


def parse_place(text: str) -> Place:
    """Return the place that a text names.

    Parameters
    ----------
    text : str
        ``X,Y``: two plain numbers are pixels of the grid, counted from 1. ``RA,DEC`` is
        ``10:34:20,+30:05:10``, ``10h34m20s,+30d05m10s`` or, in degrees, ``158.583d,30.086d``.

    Raises
    ------
    WrongCommand
        If it is neither.
    """
    parts = text.split(",")
    if len(parts) == 2 and all(_NUMBER.fullmatch(part) for part in parts):
        return Place(float(parts[0]), float(parts[1]), False)
    found = [angle(part) for part in parts] if len(parts) == 2 else []
    if len(found) == 2 and found[0] is not None and found[1] is not None:
        in_hours = _HOURS.search(parts[0].strip()) is not None
        ra, dec = found[0][0] * (15 if in_hours else 1), found[1][0]
        if 0 <= ra < 360 and -90 <= dec <= 90:
            return Place(ra, dec, True)
    msg = (
        f"--at {text}: is no place; write pixels counted from 1, as in --at 512,300, or right "
        "ascension and declination, as in --at 10:34:20,+30:05:10 or --at 158.583d,30.086d"
    )
    raise WrongCommand(msg)


def parse_size(text: str) -> tuple[int, int]:
    """Return the columns and rows that a text names: ``400`` or ``600x400``.

    Raises
    ------
    WrongCommand
        If it is no size of 16 pixels or more.
    """
    found = _SIZE.fullmatch(text)
    size = (int(found[1]), int(found[2] or found[1])) if found else (0, 0)
    if min(size) < 16:
        msg = f"--size {text}: is no size; write pixels, as in --size 400 or --size 600x400"
        raise WrongCommand(msg)
    return size
