"""Why a project does not use a raw file, as data.

The sentence is made where it is shown, by `platefiles.frames.left_out_sentences`.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Self


class Why(StrEnum):
    """The reason for an unused raw file, as in ``frames.tsv``."""

    EXCLUDED = "excluded"
    NOT_SELECTED = "not selected"
    UNREADABLE = "unreadable"
    COLOUR_SENSOR = "colour sensor"
    UNCLEAR_HEADER = "unclear header"
    UNCLEAR_SECTIONS = "unclear sections"
    NO_CHANNEL = "no channel"
    NO_EXPOSURE = "no exposure"
    COPY = "copy"
    DAMAGED_COPY = "damaged copy"
    DIFFERENT_COPY = "different copy"
    ODD_SIZE = "odd size"


ON_PURPOSE = (Why.EXCLUDED, Why.NOT_SELECTED)
"""The file of the project leaves these out."""

COPIES = (Why.COPY, Why.DAMAGED_COPY, Why.DIFFERENT_COPY)
"""Another file of the same exposure is used."""


@dataclass(frozen=True)
class LeftOut:
    """The reason for one unused raw file.

    Attributes
    ----------
    why : Why
    facts : tuple of (str, str)
        What the sentence names, by key.
    """

    why: Why
    facts: tuple[tuple[str, str], ...] = ()

    @classmethod
    def of(cls, why: str, facts: dict[str, str]) -> Self:
        """Return the reason in a row of a job or of the list of frames."""
        return cls(Why(why), tuple(sorted(facts.items())))

    @classmethod
    def because(cls, why: Why, **facts: str) -> Self:
        """Return the reason why a file is left out, with the values of its sentence."""
        return cls.of(why, facts)

    @property
    def named(self) -> dict[str, str]:
        """Values of the sentence, by key."""
        return dict(self.facts)
