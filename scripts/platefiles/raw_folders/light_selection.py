"""Select the lights of a project from its raw folders, by OBJECT and pointing."""

import functools
import math
import re
import unicodedata
from typing import Protocol

from platefiles.frames.dialects import Facts

_TOKENS = re.compile(r"[^\W\d_]+|\d+")
_CATALOGUES = {"messier": "m", "caldwell": "c"}


class Selection(Protocol):
    """The key ``lights`` of a project."""

    objects: list[str]
    ra_deg: float | None
    dec_deg: float | None
    radius_deg: float | None


@functools.lru_cache(4096)
def canonical_object(value: str) -> str:
    """Return the canonical spelling of OBJECT.

    Parameters
    ----------
    value : str
        OBJECT of a header or a project file.

    Returns
    -------
    str
        Letters in lower case and numbers without leading zeros. Blanks, hyphens and other signs are
        ignored except between two numbers: ``M 31``, ``m31`` and ``Messier 031`` are one name, ``Sh
        2-15`` and ``Sh 21-5`` are two. Empty without any letter or digit.
    """
    text = unicodedata.normalize("NFKC", value).casefold()
    words: list[str] = []
    for token in _TOKENS.findall(text):
        word = _CATALOGUES.get(token, token.lstrip("0") or "0" if token.isdigit() else token)
        words.append(f"-{word}" if words and word.isdigit() and words[-1][-1:].isdigit() else word)
    return "".join(words)


def pointing(facts: Facts) -> tuple[float, float] | None:
    """Return right ascension and declination of a header in degrees; None if unknown.

    Programs without a pointing write 0 for both, so that position counts as unknown.
    """
    if facts.ra_deg is None or facts.dec_deg is None or (facts.ra_deg, facts.dec_deg) == (0, 0):
        return None
    return facts.ra_deg, facts.dec_deg


def why_not_selected(facts: Facts, selection: Selection) -> str:
    """Return the reason why a light does not belong to a project, or nothing.

    Parameters
    ----------
    facts : Facts
        Facts of its header.
    selection : Selection
        Each of its two conditions applies only if given.
    """
    if selection.objects:
        wanted = {canonical_object(value) for value in selection.objects}
        if canonical_object(facts.target) not in wanted:
            return f"OBJECT = {facts.target!r}" if facts.target else "no OBJECT"
    if selection.radius_deg is None or selection.ra_deg is None or selection.dec_deg is None:
        return ""
    place = pointing(facts)
    if place is None:
        return "no pointing (RA, DEC)"
    away = separation_deg(*place, selection.ra_deg, selection.dec_deg)
    return f"more than {selection.radius_deg:g} degrees away" if away > selection.radius_deg else ""


def separation_deg(ra1: float, dec1: float, ra2: float, dec2: float) -> float:
    """Return the angle between two positions on the sky in degrees.

    References
    ----------
    Haversine formula; Sinnott (1984), Sky and Telescope 68, 159.
    """
    one, other = math.radians(dec1), math.radians(dec2)
    turn = math.radians(ra2 - ra1)
    half = math.sin((other - one) / 2) ** 2
    half += math.cos(one) * math.cos(other) * math.sin(turn / 2) ** 2
    return math.degrees(2 * math.asin(min(1.0, math.sqrt(half))))
