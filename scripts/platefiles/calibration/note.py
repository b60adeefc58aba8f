"""Notes on skipped or unusual calibration, as data.

The sentence of a note is made where it is shown, by `platefiles.calibration.note_sentences`. Jobs
hold notes and not sentences, so that a reworded sentence makes no product again.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any, Self


class NoteKind(StrEnum):
    """Kinds of notes."""

    ALREADY_CALIBRATED = "already calibrated"
    UNKNOWN_EXPOSURE = "unknown exposure"
    NO_FRAMES = "no frames of a kind"
    UNWANTED = "kinds that the project does not want"
    SCALED_DARK = "scaled dark"
    TAKEN_TO_FIT = "taken to fit"
    FEW_FRAMES = "master of few frames"
    CONTAINS_BIAS = "dark that contains the bias"
    KEEPS_BIAS = "flat that keeps its bias"
    FAR_BIAS = "bias of another temperature"
    TOO_FEW_FLATS = "night with too few flats"
    SERVES_NO_LIGHT = "serves no light"


@dataclass(frozen=True)
class Note:
    """A note on the matching of calibration frames.

    Attributes
    ----------
    channel : str or None
        Channel of the note; None if it does not concern a single channel.
    kind : NoteKind
    facts : mapping of str to str, int, float or list of str
        Values for the sentence, such as ``count`` and ``exposure_s``.
    """

    channel: str | None
    kind: NoteKind
    facts: Mapping[str, Any]

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> Self:
        """Return the note of a `row`.

        Parameters
        ----------
        row : mapping
            Output of `row`, parsed from JSON.
        """
        return cls(row["channel"], NoteKind(row["kind"]), row["facts"])

    @property
    def row(self) -> dict[str, Any]:
        """Return the note as plain values, for a job."""
        return asdict(self)

    def concerns(self, channel: str) -> bool:
        """Return whether the note concerns the image of a channel.

        Frames that no light uses have no part in any image.
        """
        return self.channel in (None, channel) and self.kind != NoteKind.SERVES_NO_LIGHT
