"""Notes on skipped or unusual calibration."""

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from platefiles.calibration.available_masters import KINDS, MasterGroup, Shelf
from platefiles.calibration.compatibility import Fit
from platefiles.calibration.grouping import ENOUGH
from platefiles.calibration.note import Note, NoteKind
from platefiles.frames.frame import Frame

if TYPE_CHECKING:
    from platefiles.config.project import LoadedProject


def notes_on(
    frames: Sequence[Frame],
    chosen: Sequence[tuple[Frame, list[Fit]]],
    masters: Sequence[MasterGroup],
    shelf: Shelf,
    loaded: "LoadedProject",
) -> tuple[Note, ...]:
    """Collect the notes on a matching, in a fixed order.

    Parameters
    ----------
    frames : sequence of Frame
        The list of frames.
    chosen : sequence of (Frame, list of Fit)
        Lights with their fits.
    masters : sequence of MasterGroup
        The masters in use.
    shelf : Shelf
        All possible masters.
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


def exposure_notes(lights: Sequence[Frame]) -> tuple[Note, ...]:
    """Note the channels with unknown exposure, in order of name."""
    counts = Counter(light.channel for light in lights if not light.exposure_s)
    return tuple(
        Note(name, NoteKind.UNKNOWN_EXPOSURE, {"count": count})
        for name, count in sorted(counts.items())
    )


def _missing_kinds(frames: Sequence[Frame]) -> Iterable[Note]:
    there = {frame.role for frame in frames}
    for kind in KINDS:
        if kind not in there:
            yield Note(None, NoteKind.NO_FRAMES, {"frames": kind})


def _unwanted(loaded: "LoadedProject", shelf: Shelf) -> Iterable[Note]:
    for name, channel in loaded.project.channels.items():
        kinds = [k for k in KINDS if getattr(channel, k) == "none" and shelf.pools[k]]
        if kinds:
            yield Note(name, NoteKind.UNWANTED, {"kinds": kinds, "file": loaded.path.name})


def _scaled(chosen: Sequence[tuple[Frame, list[Fit]]]) -> Iterable[Note]:
    groups: Counter[tuple[str, float, float]] = Counter()
    for light, found in chosen:
        for fit in found:
            if fit.pool.kind == "dark" and "exposure" in fit.wrong:
                groups[light.channel, light.exposure_s, fit.pool.exposure_s] += 1
    for (channel, exposure, of_dark), count in groups.items():
        facts = {"count": count, "exposure_s": exposure, "dark_s": of_dark}
        yield Note(channel, NoteKind.SCALED_DARK, facts)


def _taken_to_fit(chosen: Sequence[tuple[Frame, list[Fit]]]) -> Iterable[Note]:
    groups: Counter[tuple[str, str, tuple[str, ...]]] = Counter()
    for light, found in chosen:
        for fit in found:
            if fit.unknown:
                groups[fit.pool.kind, light.channel, fit.unknown] += 1
    for (kind, channel, unknown), count in groups.items():
        facts = {"frames": kind, "count": count, "unknown": list(unknown)}
        yield Note(channel, NoteKind.TAKEN_TO_FIT, facts)


def _masters_without(masters: Sequence[MasterGroup], shelf: Shelf) -> Iterable[Note]:
    for master in masters:
        count = len(master.frame_ids)
        name = {"master": master.name}
        if count < ENOUGH:
            yield Note(None, NoteKind.FEW_FRAMES, {**name, "count": count})
        if master.kind == "dark" and master.bias is None and shelf.pools["bias"]:
            yield Note(None, NoteKind.CONTAINS_BIAS, name)
        if master.kind == "flat" and master.bias is None and master.dark is None:
            yield Note(None, NoteKind.KEEPS_BIAS, name)
        if master.name in shelf.far_bias:
            yield Note(None, NoteKind.FAR_BIAS, name)


def _idle(masters: Sequence[MasterGroup], shelf: Shelf, loaded: "LoadedProject") -> Iterable[Note]:
    if shelf.left_out:
        nights = Counter((f.channel, f.night) for f in shelf.left_out)
        least = loaded.recipe.calibration.min_flats
        for (channel, night), count in sorted(nights.items()):
            facts = {"count": count, "night": night, "least": least}
            yield Note(channel, NoteKind.TOO_FEW_FLATS, facts)
    used = {identity for master in masters for identity in master.frame_ids}
    for kind in KINDS:
        for pool in shelf.pools[kind]:
            if not used.intersection(frame.id for frame in pool.frames):
                facts = {"master": pool.name, "count": len(pool.frames)}
                yield Note(None, NoteKind.SERVES_NO_LIGHT, facts)
