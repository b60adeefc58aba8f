"""Sentences of notes on the matching of calibration frames.

Digests of code pass modules of sentences over: see `platefiles.provenance.code_digests`.
"""

from collections.abc import Callable, Mapping
from typing import Any

from platefiles.calibration.missing_calibration import FRAMES, counted_lights, listed, seconds
from platefiles.calibration.note import Note, NoteKind

_WITHOUT = {
    "bias": "the bias level is removed only by darks that contain it",
    "dark": "dark current stays, and hot pixels that clipping does not reject",
    "flat": "vignetting and the shadows of dust stay",
}


def sentence(note: Note) -> str:
    """Return the sentence of a note."""
    return _SENTENCES[note.kind](note.channel, note.facts)


def _unknown_exposure(channel: str | None, facts: Mapping[str, Any]) -> str:
    return (
        f"Channel '{channel}': the total exposure is unknown, since no header of "
        f"{counted_lights(facts['count'])} has it; set EXPTIME under `header_fixes`."
    )


def _unwanted(channel: str | None, facts: Mapping[str, Any]) -> str:
    which = listed([f"{kind}: none" for kind in facts["kinds"]])
    return f"Channel '{channel}' has {which} in {facts['file']}."


def _scaled_dark(channel: str | None, facts: Mapping[str, Any]) -> str:
    return (
        f"{counted_lights(facts['count'])} of channel '{channel}' of "
        f"{seconds(facts['exposure_s'])} {'uses' if facts['count'] == 1 else 'use'} a dark of "
        f"{seconds(facts['dark_s'])}, scaled by {facts['exposure_s'] / facts['dark_s']:.4g}."
    )


def _taken_to_fit(channel: str | None, facts: Mapping[str, Any]) -> str:
    return (
        f"The {FRAMES[facts['frames']]} for {counted_lights(facts['count'])} of channel "
        f"'{channel}' are assumed to match in {listed(facts['unknown'])}, which some "
        "headers lack."
    )


def _few_frames(_: str | None, facts: Mapping[str, Any]) -> str:
    what = "one frame" if facts["count"] == 1 else f"{facts['count']} frames"
    return f"{facts['master']} is made of {what} only, and adds noise to the lights."


def _keeps_bias(_: str | None, facts: Mapping[str, Any]) -> str:
    return (
        f"{facts['master']} keeps its bias, since neither a bias nor a dark matches it: "
        "the correction of the corners is slightly wrong."
    )


def _too_few_flats(channel: str | None, facts: Mapping[str, Any]) -> str:
    return (
        f"The {facts['count']} flats of channel '{channel}' of {facts['night']} are not used: "
        f"fewer than {facts['least']} (min_flats), and another night has enough."
    )


def _serves_no_light(_: str | None, facts: Mapping[str, Any]) -> str:
    count = facts["count"]
    return f"{facts['master']} ({count} frame{'s' * (count > 1)}) serves no light."


_SENTENCES: dict[NoteKind, Callable[[str | None, Mapping[str, Any]], str]] = {
    NoteKind.ALREADY_CALIBRATED: lambda _, facts: (
        f"The frames are calibrated already ({facts['file']}: calibrated: true)."
    ),
    NoteKind.UNKNOWN_EXPOSURE: _unknown_exposure,
    NoteKind.NO_FRAMES: lambda _, facts: (
        f"There are no {FRAMES[facts['frames']]}: {_WITHOUT[facts['frames']]}."
    ),
    NoteKind.UNWANTED: _unwanted,
    NoteKind.SCALED_DARK: _scaled_dark,
    NoteKind.TAKEN_TO_FIT: _taken_to_fit,
    NoteKind.FEW_FRAMES: _few_frames,
    NoteKind.CONTAINS_BIAS: lambda _, facts: (
        f"{facts['master']} contains the bias level: no bias is subtracted from its frames."
    ),
    NoteKind.KEEPS_BIAS: _keeps_bias,
    NoteKind.FAR_BIAS: lambda _, facts: (
        f"{facts['master']} uses a bias of another temperature, the nearest available."
    ),
    NoteKind.TOO_FEW_FLATS: _too_few_flats,
    NoteKind.SERVES_NO_LIGHT: _serves_no_light,
}
