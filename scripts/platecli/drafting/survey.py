"""Survey the content of raw folders, before there is a project file."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from platecli.drafting.calibrated_lights import look_calibrated
from platecli.drafting.calibration_advice import CalibrationChoices, choose_calibration
from platecli.drafting.filter_channels import filters_in_names, name_channels
from platecli.drafting.found_lights import Light
from platecli.drafting.raw_folders import AS_LIGHTS, RawFolders
from platecli.drafting.targets import Target, selection_of
from platecli.drafting.trial_exposures import Trial, odd_trials, patterns_for
from platefiles.calibration.note_sentences import sentence
from platefiles.config.project import Channel, Equipment, Lights, LoadedProject, Project
from platefiles.config.recipe import Recipe
from platefiles.core.errors import UserError
from platefiles.frames.filters import canonical_filter, wavelength_nm
from platefiles.frames.frame import Frame
from platefiles.frames.left_out import ON_PURPOSE, LeftOut
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.light_selection import why_not_selected
from platefiles.raw_folders.scan import RawFile
from platefiles.settings.colour import Mapping as ColourMapping

_FEW = 3


@dataclass(frozen=True)
class Survey:
    """The survey of one target in raw folders.

    Attributes
    ----------
    folders : tuple of Path
        Absolute raw folders.
    target : str
        The most frequent OBJECT of the lights, with the number of its pointing, or empty.
    channels : dict
        FILTER values by proposed channel, in the order of names.
    frames : tuple of Frame
        The list of frames by the draft.
    untyped : bool
        Whether no header gives the kind of its frame, so that all count as lights.
    calibrated : bool
        Whether the lights are already calibrated.
    renamed : dict
        Filter by file name, if file names distinguish filters that FILTER does not.
    calibration : CalibrationChoices
        Skipped calibration steps with reasons.
    selection : dict
        The key ``lights`` of the draft; empty if all lights are of one target.
    exclude : dict
        Reason for excluding lights, by pattern.
    names : tuple of str
        OBJECT values of the lights, if they differ by more than spelling.
    """

    folders: tuple[Path, ...]
    target: str
    channels: dict[str, tuple[str, ...]]
    frames: tuple[Frame, ...]
    untyped: bool
    calibrated: bool
    renamed: dict[str, str]
    calibration: CalibrationChoices
    selection: dict[str, Any] = field(default_factory=dict)
    exclude: dict[str, str] = field(default_factory=dict)
    names: tuple[str, ...] = ()

    @property
    def header_fixes(self) -> dict[str, dict[str, str]]:
        """Header fixes without which there would be no lights."""
        return dict(AS_LIGHTS) if self.untyped else {}

    @property
    def notes(self) -> tuple[str, ...]:
        """Misfits and skipped calibration steps."""
        return (*self.calibration.sentences, *map(sentence, self.calibration.notes))

    @property
    def fewest_lights(self) -> int:
        """Lights of the channel with the fewest, counting filters from file names."""
        filters = Counter(
            canonical_filter(self.renamed[frame.name])
            if frame.name in self.renamed
            else frame.channel
            for frame in self.of_role("light")
        )
        return min(filters.values(), default=0)

    @property
    def wants_min_subs(self) -> bool:
        """Whether to make a channel of one or two calibrated frames even if one fails."""
        return self.calibrated and self.fewest_lights < _FEW

    @property
    def unmapped(self) -> tuple[str, ...]:
        """Channels whose filter names indicate no colour."""
        known = ("lum", "open")
        return tuple(
            name
            for name, filters in self.channels.items()
            if name not in known and wavelength_nm(filters[0]) is None
        )

    @property
    def left_out(self) -> tuple[Frame, ...]:
        """Unused files, except deliberate exclusions."""
        return tuple(frame for frame in self.of_role("unused") if frame.why not in ON_PURPOSE)

    def of_role(self, role: str, channel: str | None = None) -> tuple[Frame, ...]:
        """Frames of a role, and of a channel if one is given."""
        return tuple(
            frame
            for frame in self.frames
            if frame.role == role and channel in (None, frame.channel)
        )


def survey_target(raw: RawFolders, target: Target, project_path: Path) -> Survey:
    """Survey the frames of one target for its project file.

    Parameters
    ----------
    raw : RawFolders
    target : Target
        Some of its lights.
    project_path : Path
        Path of the future project file.

    Raises
    ------
    UserError
        If no light is usable.
    """
    trials = [*raw.trials, *odd_trials(target.lights)]
    odd = {light for trial in trials for light in trial.lights}
    lights = [light for light in target.lights if light not in odd]
    own = set(target.lights)
    others = [light for light in raw.targeted if light not in own]
    selection = selection_of(target, others) if others else {}
    chosen = Lights(**selection)
    unwanted = [
        light for light in raw.lights if light in odd and not why_not_selected(light.facts, chosen)
    ]
    exclude = _patterns(unwanted, trials, raw.files)
    if others and not selection:
        exclude |= dict.fromkeys(patterns_for(others, raw.files), "of another target")
    calibrated = look_calibrated(lights, raw.readable)
    channels = name_channels(light.facts.filter for light in lights)
    paths = {light.file.path for light in lights}
    reasons: dict[str, LeftOut | None] = {}
    while True:
        loaded = _provisional(project_path, raw, channels, selection, exclude, calibrated)
        frames = build_frame_list(raw.files, loaded)
        unused = [frame for frame in frames if frame.path in paths and frame.role == "unused"]
        reasons = {frame.path: frame.left_out for frame in unused} | reasons
        fed = {frame.channel for frame in frames if frame.role == "light"}
        if not fed:
            first = unused[0]
            msg = f"none of the {len(lights)} lights can be used ({first.name}: {first.reason})"
            raise UserError(msg)
        if fed == set(channels):
            break
        channels = {name: filters for name, filters in channels.items() if name in fed}
    return Survey(
        folders=raw.folders,
        target=target.numbered_title,
        channels=channels,
        # Without its channel, a light would only be said to be in none.
        frames=tuple(replace(f, left_out=reasons.get(f.path, f.left_out)) for f in frames),
        untyped=raw.untyped,
        calibrated=calibrated,
        renamed=filters_in_names(lights),
        calibration=CalibrationChoices() if calibrated else choose_calibration(frames, loaded),
        selection=selection,
        exclude=exclude,
        names=target.spellings if len(target.spellings) > 1 else (),
    )


def _patterns(
    unwanted: Sequence[Light], trials: Sequence[Trial], files: Sequence[RawFile]
) -> dict[str, str]:
    """Return the patterns that exclude lights, with the reasons."""
    reasons = {light: trial.why for trial in trials for light in trial.lights}
    found = patterns_for(unwanted, files, reasons)
    return {pattern: reasons[light] for pattern, light in found.items()}


def _provisional(
    path: Path,
    raw: RawFolders,
    channels: Mapping[str, tuple[str, ...]],
    selection: Mapping[str, Any],
    exclude: Iterable[str],
    calibrated: bool,
) -> LoadedProject:
    """Return the project of the draft, sufficient for the list of frames."""
    project = Project(
        title="new",
        raw=[str(index) for index, _ in enumerate(raw.folders)],
        recipe="single-channel",
        calibrated=calibrated,
        lights=Lights(**selection),
        exclude=list(exclude),
        channels={name: Channel(filters=list(found)) for name, found in channels.items()},
        header_fixes=dict(AS_LIGHTS) if raw.untyped else {},  # type: ignore[arg-type]
    )
    return LoadedProject(
        name=path.stem,
        path=path,
        project=project,
        recipe=Recipe(mapping=ColourMapping(luminance={"*": 1.0})),
        recipe_name=project.recipe,
        equipment=Equipment(),
        raw_folders=raw.folders,
        lock_path=path.with_suffix(".lock.yaml"),
    )
