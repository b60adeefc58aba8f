"""Advice of a draft on calibration frames that are missing or do not match."""

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

from platefiles.calibration.matching import NothingFits, match_calibration
from platefiles.calibration.missing_calibration import (
    FRAMES,
    Shortfall,
    lights,
    listed,
    miss,
    seconds,
)
from platefiles.calibration.note import Note
from platefiles.config.project import LoadedProject
from platefiles.frames.frame import Frame

KINDS = ("bias", "dark", "flat")
_MOST_WANTED = 4
_NEAR_C, _NEAR_SHARE = 5.0, 0.2
"""Darks this near leave less than half of the dark current, which doubles within 5 to 7 C (common
practice, no source)."""


@dataclass(frozen=True)
class CalibrationChoices:
    """Settings of a draft that allow a run without some calibration frames.

    Attributes
    ----------
    without : dict
        Missing kinds of calibration frames, by channel.
    settings : dict
        Keys of the recipe's group ``calibration`` that make frames fit.
    sentences : tuple of str
        Each misfit with the nearest miss, the choice of the draft, and the best remedy.
    notes : tuple of Note
        Skipped calibration steps with reasons.
    """

    without: dict[str, tuple[str, ...]] = field(default_factory=dict)
    settings: dict[str, float | bool] = field(default_factory=dict)
    sentences: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()


def choose_calibration(frames: Sequence[Frame], loaded: LoadedProject) -> CalibrationChoices:
    """Choose the settings for lights without matching calibration frames.

    Tolerances are widened if the nearest frames are within 5 C or 20 % of the exposure, and darks
    of another exposure are scaled, so that the channel keeps its masters; else the kind is omitted.

    Parameters
    ----------
    frames : sequence of Frame
        The list of frames of the draft.
    loaded : LoadedProject
        The present draft.
    """
    choices = CalibrationChoices()
    while True:
        try:
            matched = match_calibration(frames, with_choices(loaded, choices))
        except NothingFits as problem:
            choices = _next(choices, problem.shortfalls)
        else:
            return replace(choices, notes=matched.notes)


def with_choices(loaded: LoadedProject, choices: CalibrationChoices) -> LoadedProject:
    """Return the project with these choices."""
    channels = {
        name: channel.model_copy(update=dict.fromkeys(choices.without.get(name, ()), "none"))
        for name, channel in loaded.project.channels.items()
    }
    calibration = loaded.recipe.calibration.model_copy(update=choices.settings)
    return replace(
        loaded,
        project=loaded.project.model_copy(update={"channels": channels}),
        recipe=loaded.recipe.model_copy(update={"calibration": calibration}),
    )


def wanted_frames(kind: str, served: Sequence[Frame]) -> str:
    """Describe the calibration frames that lights need, such as ``darks of 180 s at -19 C``.

    Parameters
    ----------
    kind : str
        bias, dark or flat.
    served : sequence of Frame
        The lights.
    """
    if kind == "flat":
        channels = sorted({frame.channel for frame in served})
        return f"{FRAMES[kind]} of channel{'s' * (len(channels) > 1)} {listed(channels)}"
    if kind == "bias":
        return f"{FRAMES[kind]} {_degrees(served)}".strip()
    by_exposure: dict[float, list[Frame]] = defaultdict(list)
    for frame in served:
        by_exposure[frame.exposure_s].append(frame)
    words = [f"{seconds(one)} {_degrees(group)}".strip() for one, group in by_exposure.items()]
    return f"{FRAMES[kind]} of {listed(sorted(words)[:_MOST_WANTED])}"


def _degrees(served: Sequence[Frame]) -> str:
    """Return the temperatures of lights: ``at -20 C``, ``at -4 to -1 C``."""
    found = sorted(round(f.temperature_c) for f in served if f.temperature_c is not None)
    if not found:
        return ""
    return f"at {found[0]} C" if found[0] == found[-1] else f"at {found[0]} to {found[-1]} C"


def _next(choices: CalibrationChoices, short: Sequence[Shortfall]) -> CalibrationChoices:
    """Return choices that solve all or part of a problem."""
    for key, find in (
        ("temperature_tolerance_c", _wider_temperature),
        ("exposure_tolerance", _wider_exposure),
        ("scale_darks", _scaled),
    ):
        value, helped = find(short)
        if helped and key not in choices.settings:
            done = f"calibration: {key}: {str(value).lower()}"
            return replace(
                choices,
                settings={**choices.settings, key: value},
                sentences=(*choices.sentences, *_told(helped, done)),
            )
    without = dict(choices.without)
    for one in short:
        kinds = {*without.get(one.light.channel, ()), one.kind}
        without[one.light.channel] = tuple(kind for kind in KINDS if kind in kinds)
    return replace(choices, without=without, sentences=(*choices.sentences, *_told(short)))


def _wider_temperature(short: Sequence[Shortfall]) -> tuple[float, list[Shortfall]]:
    near = [
        one
        for one in short
        if one.nearest.wrong == ("temperature",) and abs(one.nearest.warmer_c) <= _NEAR_C
    ]
    return float(max((math.ceil(abs(one.nearest.warmer_c)) for one in near), default=0)), near


def _wider_exposure(short: Sequence[Shortfall]) -> tuple[float, list[Shortfall]]:
    near = [one for one in short if one.nearest.wrong == ("exposure",) and _off(one) <= _NEAR_SHARE]
    return max((math.ceil(_off(one) * 100) / 100 for one in near), default=0.0), near


def _off(short: Shortfall) -> float:
    """Return the relative difference in exposure of the nearest dark and the light."""
    return abs(1 / short.nearest.scale - 1)


def _scaled(short: Sequence[Shortfall]) -> tuple[bool, list[Shortfall]]:
    return True, [
        one
        for one in short
        if one.kind == "dark" and one.nearest.wrong == ("exposure",) and one.has_bias
    ]


def _told(short: Sequence[Shortfall], done: str = "") -> Iterator[str]:
    """Yield a sentence for each channel and kind."""
    groups: dict[tuple[str, str], list[Shortfall]] = defaultdict(list)
    for one in short:
        groups[one.light.channel, one.kind].append(one)
    for (channel, kind), group in groups.items():
        served = [one.light for one in group]
        yield (
            f"no {FRAMES[kind]} match {lights(served)} of channel '{channel}': {miss(group[0])}; "
            f"the file has `{done or f'{kind}: none'}`. Add {wanted_frames(kind, served)}."
        )
