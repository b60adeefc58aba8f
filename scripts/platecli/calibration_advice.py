"""What a draft says about calibration frames that are missing or do not fit."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from platefiles.frame import Frame
from platefiles.matching import NothingFits, match_calibration
from platefiles.project import LoadedProject
from platefiles.shortfall import FRAMES, Shortfall, listed, seconds, sentences

KINDS = ("bias", "dark", "flat")
_MOST_WANTED = 4


@dataclass(frozen=True)
class CalibrationChoices:
    """What a draft has to say so that a run does not stop for want of calibration frames.

    Attributes
    ----------
    without : dict
        Kinds that a channel goes without, by channel.
    scale_darks : bool
        Darks of another exposure are scaled.
    sentences : tuple of str
        What does not fit, with the nearest miss, what would help, and what the draft does.
    notes : tuple of str
        What calibration does not do then, and why.
    """

    without: dict[str, tuple[str, ...]] = field(default_factory=dict)
    scale_darks: bool = False
    sentences: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def choose_calibration(frames: Sequence[Frame], loaded: LoadedProject) -> CalibrationChoices:
    """Choose what to do about lights that no calibration frames fit.

    Darks are scaled where that is all that is missing, so that lights which have darks keep them;
    else the channel goes without the kind.

    Parameters
    ----------
    frames : sequence of Frame
        The frame sheet of the draft.
    loaded : LoadedProject
        The draft as it is so far.
    """
    choices = CalibrationChoices()
    while True:
        try:
            matched = match_calibration(frames, with_choices(loaded, choices))
        except NothingFits as problem:
            choices = _next(choices, problem.shortfalls, loaded)
        else:
            return replace(choices, notes=matched.notes)


def with_choices(loaded: LoadedProject, choices: CalibrationChoices) -> LoadedProject:
    """Return a project with these choices."""
    channels = {
        name: channel.model_copy(update=dict.fromkeys(choices.without.get(name, ()), "none"))
        for name, channel in loaded.project.channels.items()
    }
    calibration = loaded.recipe.calibration.model_copy(update={"scale_darks": choices.scale_darks})
    return replace(
        loaded,
        project=loaded.project.model_copy(update={"channels": channels}),
        recipe=loaded.recipe.model_copy(update={"calibration": calibration}),
    )


def wanted_frames(kind: str, lights: Sequence[Frame]) -> str:
    """Say which calibration frames lights want, such as ``darks of 180 s at -19 C``.

    Parameters
    ----------
    kind : str
        bias, dark or flat.
    lights : sequence of Frame
    """
    if kind == "flat":
        words = [f"channel {channel}" for channel in sorted({frame.channel for frame in lights})]
        return f"{FRAMES[kind]} of {listed(words)}"
    if kind == "bias":
        return f"{FRAMES[kind]} {_degrees(lights)}".strip()
    by_exposure: dict[float, list[Frame]] = defaultdict(list)
    for frame in lights:
        by_exposure[frame.exposure_s].append(frame)
    words = [f"{seconds(one)} {_degrees(group)}".strip() for one, group in by_exposure.items()]
    return f"{FRAMES[kind]} of {listed(sorted(words)[:_MOST_WANTED])}"


def _degrees(lights: Sequence[Frame]) -> str:
    """Return the temperatures of lights: ``at -20 C``, ``at -4 to -1 C``."""
    found = sorted(round(f.temperature_c) for f in lights if f.temperature_c is not None)
    if not found:
        return ""
    return f"at {found[0]} C" if found[0] == found[-1] else f"at {found[0]} to {found[-1]} C"


def _next(
    choices: CalibrationChoices, short: Sequence[Shortfall], loaded: LoadedProject
) -> CalibrationChoices:
    """Return the choices that solve a problem, or a part of it."""
    scalable = [
        s for s in short if s.kind == "dark" and s.nearest.wrong == ("exposure",) and s.has_bias
    ]
    if scalable and not choices.scale_darks:
        told = tuple(f"{one} The draft scales them." for one in sentences(scalable, loaded))
        return replace(choices, scale_darks=True, sentences=choices.sentences + told)
    without = dict(choices.without)
    for one in short:
        kinds = {*without.get(one.light.channel, ()), one.kind}
        without[one.light.channel] = tuple(kind for kind in KINDS if kind in kinds)
    told = tuple(f"{one} The draft does the last." for one in sentences(short, loaded))
    return replace(choices, without=without, sentences=choices.sentences + told)
