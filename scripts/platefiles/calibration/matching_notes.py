"""Sentences on what calibration does not do, or does otherwise than one may expect, and why."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from platefiles.calibration.available_masters import KINDS, MasterGroup, Shelf
from platefiles.calibration.compatibility import Fit
from platefiles.calibration.grouping import ENOUGH
from platefiles.calibration.missing_calibration import FRAMES, lights, listed, seconds
from platefiles.frames.frame import Frame

if TYPE_CHECKING:
    from platefiles.config.project import LoadedProject

_WITHOUT = {
    "bias": "what the camera adds to each pixel is only removed where darks do it",
    "dark": "dark current and hot pixels stay, but for what clipping removes",
    "flat": "vignetting and the shadows of dust stay",
}


SERVES_NO_LIGHT = "serves no light."
"""End of a note on frames that have no part in any channel."""


def notes_on(
    frames: Sequence[Frame],
    chosen: Sequence[tuple[Frame, list[Fit]]],
    masters: Sequence[MasterGroup],
    shelf: Shelf,
    loaded: "LoadedProject",
) -> tuple[str, ...]:
    """Collect the notes on a matching, in a fixed order.

    Parameters
    ----------
    frames : sequence of Frame
        The frame sheet.
    chosen : sequence of (Frame, list of Fit)
        Lights with what serves them.
    masters : sequence of MasterGroup
        The masters in use.
    shelf : Shelf
        All masters that could be made.
    loaded : LoadedProject
        The project.
    """
    return (
        *_missing_kinds(frames),
        *_unwanted(loaded, shelf),
        *_scaled(chosen),
        *_taken_to_fit(chosen),
        *_masters_without(masters, shelf),
        *_idle(masters, shelf, loaded),
    )


def exposure_notes(lights: Sequence[Frame]) -> tuple[str, ...]:
    """Say of which channels the exposure is not known, in their order by name."""
    counts = Counter(light.channel for light in lights if not light.exposure_s)
    return tuple(
        f"Channel '{name}': the total exposure is unknown, since no header of {count} "
        f"light{'' if count == 1 else 's'} tells it; EXPTIME under `header_fixes` does."
        for name, count in sorted(counts.items())
    )


def _missing_kinds(frames: Sequence[Frame]) -> Iterable[str]:
    there = {frame.role for frame in frames}
    for kind in KINDS:
        if kind not in there:
            yield f"There are no {FRAMES[kind]}: {_WITHOUT[kind]}."


def _unwanted(loaded: "LoadedProject", shelf: Shelf) -> Iterable[str]:
    for name, channel in loaded.project.channels.items():
        kinds = [k for k in KINDS if getattr(channel, k) == "none" and shelf.pools[k]]
        if kinds:
            which = listed([f"{kind}: none" for kind in kinds])
            yield f"Channel '{name}' has {which} in {loaded.path.name}."


def _scaled(chosen: Sequence[tuple[Frame, list[Fit]]]) -> Iterable[str]:
    groups: dict[tuple[str, float, float], list[Frame]] = defaultdict(list)
    for light, found in chosen:
        for fit in found:
            if fit.pool.kind == "dark" and "exposure" in fit.wrong:
                groups[light.channel, light.exposure_s, fit.pool.exposure_s].append(light)
    for (channel, exposure, of_dark), group in groups.items():
        yield (
            f"{lights(group)} of channel '{channel}' of {seconds(exposure)} "
            f"{'takes' if len(group) == 1 else 'take'} a dark of {seconds(of_dark)}, "
            f"scaled by {exposure / of_dark:.4g}."
        )


def _taken_to_fit(chosen: Sequence[tuple[Frame, list[Fit]]]) -> Iterable[str]:
    groups: dict[tuple[str, str, tuple[str, ...]], list[Frame]] = defaultdict(list)
    for light, found in chosen:
        for fit in found:
            if fit.unknown:
                groups[fit.pool.kind, light.channel, fit.unknown].append(light)
    for (kind, channel, unknown), group in groups.items():
        yield (
            f"The {FRAMES[kind]} for {lights(group)} of channel '{channel}' are taken to fit in "
            f"{listed(unknown)}, which not all of the headers say."
        )


def _masters_without(masters: Sequence[MasterGroup], shelf: Shelf) -> Iterable[str]:
    for master in masters:
        count = len(master.frame_ids)
        if count < ENOUGH:
            what = "one frame" if count == 1 else f"{count} frames"
            yield f"{master.name} is made of {what} only, and adds noise to the lights."
        if master.kind == "dark" and master.bias is None and shelf.pools["bias"]:
            yield f"{master.name} contains the bias level: no bias is subtracted from its frames."
        if master.kind == "flat" and master.bias is None and master.dark is None:
            yield (
                f"{master.name} keeps its bias, since neither a bias nor a dark fits it: "
                "the corners come out somewhat wrong."
            )
        if master.name in shelf.far_bias:
            yield f"{master.name} takes a bias of another temperature, the nearest there is."


def _idle(masters: Sequence[MasterGroup], shelf: Shelf, loaded: "LoadedProject") -> Iterable[str]:
    if shelf.left_out:
        nights = Counter((f.channel, f.night) for f in shelf.left_out)
        for (channel, night), count in sorted(nights.items()):
            least = loaded.recipe.calibration.min_flats
            yield (
                f"The {count} flats of channel '{channel}' of {night} are not used: fewer than "
                f"{least} (min_flats), and another night has enough."
            )
    used = {identity for master in masters for identity in master.frame_ids}
    for kind in KINDS:
        for pool in shelf.pools[kind]:
            if not used.intersection(frame.id for frame in pool.frames):
                count = len(pool.frames)
                yield f"{pool.name} ({count} frame{'s' * (count > 1)}) {SERVES_NO_LIGHT}"
