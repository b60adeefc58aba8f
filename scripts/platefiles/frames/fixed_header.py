"""Headers with the fixes of a project, read by keywords and their synonyms."""

import fnmatch
import math
import re
from collections.abc import Mapping, Sequence

from platefiles.fits import keywords
from platefiles.fits.header_reader import Value
from platefiles.frames.colour_sensor import colour_evidence

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_SECTIONS = frozenset(keywords.SECTIONS)


class FixedHeader:
    """A header with the user's fixes, which override cards and their synonyms.

    An empty fix erases the card.

    Parameters
    ----------
    cards : mapping
        Value by keyword; a comment kept by the scan is under ``/KEYWORD``.
    fixes : mapping
        Cards corrected by the project, see `fixes_for`.
    """

    def __init__(self, cards: Mapping[str, Value], fixes: Mapping[str, Value]):
        if fixes:
            cards = {key: value for key, value in cards.items() if key.lstrip("/") not in fixes}
        self._fixes, self._cards = fixes, cards
        self._sources = (fixes, cards) if fixes else (cards,)

    def get(self, keys: tuple[str, ...]) -> Value | None:
        """Return the first value among the cards."""
        for source in self._sources:
            for key in keys:
                value = source.get(key)
                if value is not None and value != "":
                    return value
        return None

    def text(self, keys: tuple[str, ...]) -> str:
        """Return that value as a string, T or F if logical; empty if there is none."""
        value = self.get(keys)
        if value is None:
            return ""
        return {True: "T", False: "F"}[value] if isinstance(value, bool) else str(value).strip()

    def number(self, keys: tuple[str, ...]) -> float | None:
        """Return the first numeric value, see `read_number`."""
        for source in self._sources:
            for key in keys:
                value = read_number(source.get(key))
                if value is not None:
                    return value
        return None

    def comment(self, keys: tuple[str, ...]) -> str:
        """Return the comment of the first card with a value, if the scan keeps it."""
        for source in self._sources:
            for key in keys:
                if source.get(key) not in (None, ""):
                    return str(source.get(f"/{key}", "")) if source is self._cards else ""
        return ""

    def colour_evidence(self) -> str:
        """Return the card that indicates a colour filter array."""
        given = {key: value for key, value in self._fixes.items() if value not in (None, "")}
        return colour_evidence({**self._cards, **given} if given else self._cards)

    def sections(self) -> dict[str, str]:
        """Return the sections of image and overscan."""
        if all(_SECTIONS.isdisjoint(source) for source in self._sources):
            return {}
        texts = {key: self.text((key,)) for key in keywords.SECTIONS}
        return {key: text for key, text in texts.items() if text}

    def by_hierarch(self) -> tuple[str, ...]:
        """Return the keywords of HIERARCH cards that name a filter."""
        return tuple(keywords.filters_by_hierarch(self._cards))


def fixes_for(
    names: Sequence[str], header_fixes: Mapping[str, Mapping[str, Value]]
) -> dict[str, Value]:
    """Return the cards that a project corrects for one file; later patterns override earlier ones.

    Parameters
    ----------
    names : sequence of str
        Names of the file: its path inside the raw folder, raw and printable.
    header_fixes : mapping
        Cards by pattern; see `matches`.
    """
    fixes: dict[str, Value] = {}
    for pattern, cards in header_fixes.items():
        if any(matches(name, pattern) for name in names):
            fixes |= cards
    return fixes


def matches(inside: str, pattern: str) -> bool:
    """Return whether a pattern fits a file's path inside the raw folder or its bare name."""
    return fnmatch.fnmatchcase(inside, pattern) or fnmatch.fnmatchcase(
        inside.rsplit("/", 1)[-1], pattern
    )


def read_number(value: Value | None) -> float | None:
    """Return the number at the beginning of a card's value; None if there is none."""
    if isinstance(value, bool) or value is None:
        return None
    if isinstance(value, str):
        found = _NUMBER.match(value.strip().replace("D", "E"))
        value = float(found[0]) if found else math.nan
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None
