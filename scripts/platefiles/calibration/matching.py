"""Match calibration frames with masters, and masters with lights."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from platefiles.calibration.available_masters import KINDS, MasterGroup, Shelf, fill_shelf
from platefiles.calibration.compatibility import Fit, FlatPools, Tolerance, fits, looked_at
from platefiles.calibration.matching_notes import exposure_notes, notes_on
from platefiles.calibration.missing_calibration import Shortfall, sentences
from platefiles.calibration.note import Note, NoteKind
from platefiles.core.errors import UserError
from platefiles.frames.frame import Frame

if TYPE_CHECKING:
    from platefiles.config.project import LoadedProject

__all__ = ["Calibrators", "MasterGroup", "Matched", "NothingFits", "match_calibration"]


class NothingFits(UserError):
    """Some lights have no fitting calibration frames of a kind that the project has.

    Attributes
    ----------
    shortfalls : tuple of Shortfall
        One for each light and kind.
    sentences : tuple of str
        One for each group of lights, with the nearest miss and the remedies.
    """

    def __init__(self, shortfalls: Sequence[Shortfall], loaded: "LoadedProject") -> None:
        self.shortfalls = tuple(shortfalls)
        self.sentences = tuple(sentences(shortfalls, loaded))
        super().__init__("\n".join(self.sentences))


@dataclass(frozen=True)
class Calibrators:
    """Names of the masters for one light; the dark is multiplied by `dark_scale`."""

    bias: str | None
    dark: str | None
    flat: str | None
    dark_scale: float


@dataclass(frozen=True)
class Matched:
    """The masters to make, the masters of each light, and notes on skipped corrections."""

    masters: tuple[MasterGroup, ...]
    """Those that serve a light or another master, bias before dark before flat, by name."""
    lights: dict[str, Calibrators]
    """By the id of the frame, in the order of the list of frames."""
    notes: tuple[Note, ...]


def match_calibration(frames: Sequence[Frame], loaded: "LoadedProject") -> Matched:
    """Find the masters for each light of a project.

    A fitting dark comes with the bias that was subtracted from it, so that the bias cancels; a
    light without a dark takes the fitting bias. A kind without any frame in the project is left
    out, with a note.

    Parameters
    ----------
    frames : sequence of Frame
        The list of frames.
    loaded : LoadedProject
        The project; `calibrated`, `channels` and the recipe's `calibration` count.

    Returns
    -------
    Matched

    Raises
    ------
    NothingFits
        If the project has frames of a kind, but none fits some lights.
    """
    lights = [frame for frame in frames if frame.role == "light"]
    if loaded.project.calibrated:
        note = Note(None, NoteKind.ALREADY_CALIBRATED, {"file": loaded.path.name})
        untaken = {f.id: Calibrators(None, None, None, 1.0) for f in lights}
        return Matched((), untaken, (note, *exposure_notes(lights)))
    calibration = loaded.recipe.calibration
    tolerance = Tolerance(calibration.temperature_tolerance_c, calibration.exposure_tolerance)
    shelf = fill_shelf(frames, tolerance, calibration.min_flats)
    matcher = _Matcher(shelf, tolerance, loaded)
    served = {frame.id: matcher.serve(frame) for frame in lights}
    if matcher.shortfalls:
        raise NothingFits(matcher.shortfalls, loaded)
    masters = _in_use(served, matcher.masters)
    chosen = [(frame, matcher.chosen[frame.id]) for frame in lights]
    return Matched(masters, served, notes_on(frames, chosen, masters, shelf, loaded))


class _Matcher:
    """Matches lights one by one and collects the shortfalls."""

    def __init__(self, shelf: Shelf, tolerance: Tolerance, loaded: "LoadedProject"):
        self._shelf, self._tolerance, self._loaded = shelf, tolerance, loaded
        self.masters = dict(shelf.by_name)
        self.shortfalls: list[Shortfall] = []
        self.chosen: dict[str, list[Fit]] = {}
        self._found: dict[Hashable, list[Fit]] = {}
        self._flats = FlatPools(shelf.pools["flat"])

    def serve(self, light: Frame) -> Calibrators:
        self.chosen[light.id] = []
        dark, scale = self._dark(light)
        bias = dark.bias if dark else self._name(self._seek("bias", light))
        flat = self._name(self._seek("flat", light))
        return Calibrators(bias, dark.name if dark else None, flat, scale)

    def _dark(self, light: Frame) -> tuple[MasterGroup | None, float]:
        fit = self._seek("dark", light)
        if fit is None:
            return None, 1.0
        dark = self._shelf.master(fit.pool)
        if dark.bias and not self._wants("bias", light):
            dark = replace(dark, name=f"{dark.name}_with_bias", bias=None)
            self.masters[dark.name] = dark
        return dark, fit.scale if "exposure" in fit.wrong else 1.0

    def _seek(self, kind: str, light: Frame) -> Fit | None:
        """Return the best pool of a kind; note a shortfall if pools exist but none fits."""
        if not self._wants(kind, light) or not self._shelf.pools[kind]:
            return None
        found = self._fits(kind, light)
        best = found[0] if found[0].is_good else self._scalable(kind, light, found)
        if best is None:
            has_bias = self._shelf.master(found[0].pool).bias is not None
            self.shortfalls.append(Shortfall(kind, light, found[0], has_bias))
        else:
            self.chosen[light.id].append(best)
        return best

    def _fits(self, kind: str, light: Frame) -> list[Fit]:
        """Compare pools of a kind with a light, once for all lights with equal facts; best first.

        Flats that cannot be the best are not compared.
        """
        alike = looked_at(kind, light)
        if alike not in self._found:
            pools = self._shelf.pools[kind]
            if kind == "flat":
                pools = self._flats.candidates(light)
            self._found[alike] = fits(kind, light, pools, self._tolerance)
        return self._found[alike]

    def _scalable(self, kind: str, light: Frame, found: list[Fit]) -> Fit | None:
        """Return the dark nearest in exposure that may be scaled: its bias must be subtracted."""
        if kind != "dark" or not self._loaded.recipe.calibration.scale_darks:
            return None
        if not self._wants("bias", light):
            return None
        usable = (f for f in found if f.wrong == ("exposure",) and f.pool.exposure_s > 0)
        freed = (f for f in usable if self._shelf.master(f.pool).bias is not None)
        return min(freed, key=lambda f: (len(f.unknown), max(f.scale, 1 / f.scale)), default=None)

    def _wants(self, kind: str, light: Frame) -> bool:
        return getattr(self._loaded.project.channels[light.channel], kind) == "auto"

    def _name(self, fit: Fit | None) -> str | None:
        return self._shelf.master(fit.pool).name if fit else None


def _in_use(
    served: dict[str, Calibrators], masters: dict[str, MasterGroup]
) -> tuple[MasterGroup, ...]:
    todo = [name for c in served.values() for name in (c.bias, c.dark, c.flat) if name]
    used: dict[str, MasterGroup] = {}
    while todo:
        master = masters[todo.pop()]
        if master.name not in used:
            used[master.name] = master
            todo += [name for name in (master.bias, master.dark) if name]
    return tuple(sorted(used.values(), key=lambda m: (KINDS.index(m.kind), m.name)))
