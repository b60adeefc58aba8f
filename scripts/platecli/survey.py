"""What a set of raw folders holds, before there is a project file."""

import os
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from platefiles.config import Channel, Equipment, LoadedProject, Mapping, Project, Recipe
from platefiles.errors import UserError
from platefiles.filters import canonical_filter, wavelength_nm
from platefiles.frame import Frame
from platefiles.headers import Facts, read_facts
from platefiles.matching import match_calibration
from platefiles.scan import RawFile, scan_folders
from platefiles.sheet import build_sheet
from platefiles.slug import slug
from platefiles.yamlfile import shown

CALIBRATION_KINDS = ("bias", "dark", "flat")
_RAW_UNITS = {"", "adu", "adus", "dn", "count", "counts", "ct"}
_SHORT = {"red": "r", "green": "g", "blue": "b"}
_AS_LIGHTS = {"*": {"IMAGETYP": "light"}}
_TOKEN = re.compile(r"[A-Za-z]+[0-9]*")


@dataclass(frozen=True)
class Survey:
    """What was found in raw folders.

    Attributes
    ----------
    folders : tuple of Path
        Absolute raw folders.
    target : str
        The most frequent OBJECT of the lights, or empty.
    channels : dict
        FILTER values by the channel that is proposed for them, in the order of names.
    frames : tuple of Frame
        The frame sheet that these channels would give.
    untyped : bool
        No header says what its frame is; all are taken for lights.
    calibrated : bool
        The lights look calibrated already.
    renamed : dict
        FILTER by file name, where the names of files tell filters apart that FILTER does not.
    notes : tuple of str
        What calibration will not do, and why.
    """

    folders: tuple[Path, ...]
    target: str
    channels: dict[str, tuple[str, ...]]
    frames: tuple[Frame, ...]
    untyped: bool
    calibrated: bool
    renamed: dict[str, str]
    notes: tuple[str, ...]

    @property
    def header_fixes(self) -> dict[str, dict[str, str]]:
        """Header fixes without which there would be no lights."""
        return dict(_AS_LIGHTS) if self.untyped else {}

    def of_role(self, role: str, channel: str | None = None) -> tuple[Frame, ...]:
        """Frames of a role, and of a channel if one is given."""
        return tuple(
            frame
            for frame in self.frames
            if frame.role == role and channel in (None, frame.channel)
        )


def survey_folders(folders: Sequence[Path], project_path: Path) -> Survey:
    """Look through raw folders.

    Parameters
    ----------
    folders : sequence of Path
        Absolute folders.
    project_path : Path
        Where the project's file will be.

    Raises
    ------
    UserError
        If a folder is not there, or there is no FITS file or no light in them.
    """
    files = _scan(folders)
    readable = [file for file in files if not file.reason]
    facts = {file.path: _facts(file, untyped=False) for file in readable}
    untyped = bool(readable) and not any(fact.role for fact in facts.values())
    if untyped:
        facts = {file.path: _facts(file, untyped=True) for file in readable}
    lights = [file for file in readable if facts[file.path].role == "light"]
    if not lights:
        raise UserError(_no_lights(files, facts))
    channels = name_channels(facts[file.path].filter for file in lights)
    loaded = _provisional(project_path, folders, channels, untyped)
    frames = build_sheet(files, loaded)
    calibrated = _look_calibrated(lights, facts)
    targets = Counter(facts[file.path].target for file in lights if facts[file.path].target)
    return Survey(
        folders=tuple(folders),
        target=max(sorted(targets), key=lambda target: targets[target], default=""),
        channels=channels,
        frames=frames,
        untyped=untyped,
        calibrated=calibrated,
        renamed=_filters_in_names(lights, facts),
        notes=() if calibrated else _calibration_notes(frames, loaded),
    )


def name_channels(filters: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Propose a channel for each filter.

    Parameters
    ----------
    filters : iterable of str
        FILTER of each light, empty where there is none.

    Returns
    -------
    dict
        The spellings found, by the name of the channel: the canonical name of the filter, with
        r, g and b for red, green and blue unless a survey's band needs the letter.
    """
    spellings: dict[str, set[str]] = {}
    for value in filters:
        spellings.setdefault(canonical_filter(value), set()).add(value or "open")
    channels: dict[str, tuple[str, ...]] = {}
    for filter_name in sorted(spellings):
        short = _SHORT.get(filter_name, "")
        name = short if short and short not in spellings else slug(filter_name, 18) or "filter"
        unique, number = name, 2
        while unique in channels:
            unique, number = f"{name}{number}", number + 1
        channels[unique] = tuple(sorted(spellings[filter_name]))
    return dict(sorted(channels.items()))


def _scan(folders: Sequence[Path]) -> list[RawFile]:
    for folder in folders:
        if not folder.is_dir():
            kind = "not a folder" if folder.exists() else "no such folder"
            msg = f"{shown(folder)}: {kind}; give the folder that holds your frames"
            raise UserError(msg)
    files = scan_folders(folders, None, False)
    if not files:
        where = " and ".join(shown(folder) for folder in folders)
        msg = (
            f"{where}: no FITS files (.fits, .fit, .fts, also with .fz or .gz) to make a project of"
        )
        raise UserError(msg)
    return files


def _facts(file: RawFile, untyped: bool) -> Facts:
    fixes = _AS_LIGHTS["*"] if untyped else {}
    return read_facts(file.header, file.inside, os.path.basename(file.folder), fixes)


def _no_lights(files: Sequence[RawFile], facts: dict[str, Facts]) -> str:
    roles = Counter(facts[file.path].role or "unclear" for file in files if file.path in facts)
    roles["unreadable"] = len(files) - roles.total()
    found = ", ".join(f"{count} {role}" for role, count in sorted(roles.items()) if count)
    first = next((f"{file.name} {file.reason}" for file in files if file.reason), "")
    why = f" ({first})" if first else ""
    return f"no light frames among the FITS files: {found}{why}; add the folder of the lights"


def _provisional(
    path: Path, folders: Sequence[Path], channels: dict[str, tuple[str, ...]], untyped: bool
) -> LoadedProject:
    project = Project(
        title="new",
        raw=[str(index) for index, _ in enumerate(folders)],
        recipe="single-channel",
        channels={name: Channel(filters=list(found)) for name, found in channels.items()},
        header_fixes=dict(_AS_LIGHTS) if untyped else {},  # type: ignore[arg-type]
    )
    return LoadedProject(
        name=path.stem,
        path=path,
        project=project,
        recipe=Recipe(mapping=Mapping(luminance={"*": 1.0})),
        recipe_name=project.recipe,
        equipment=Equipment(),
        raw_folders=tuple(folders),
        lock_path=path.with_suffix(".lock.yaml"),
    )


def _look_calibrated(lights: Sequence[RawFile], facts: dict[str, Facts]) -> bool:
    """Lights in a unit of light, not held as whole numbers, and nothing to calibrate them with."""
    if any(fact.role in CALIBRATION_KINDS for fact in facts.values()):
        return False
    return all(
        facts[file.path].unit.lower() not in _RAW_UNITS
        and file.header.get("BITPIX") not in (16, 32, 64)
        for file in lights
    )


def _filters_in_names(lights: Sequence[RawFile], facts: dict[str, Facts]) -> dict[str, str]:
    """Find filters by file name, where lights of one FILTER have names that tell filters apart."""
    named: dict[str, dict[str, str]] = {}
    for file in lights:
        stem = file.inside.rsplit("/", 1)[-1].split(".", 1)[0]
        tokens = [token for token in _TOKEN.findall(stem) if wavelength_nm(token) is not None]
        found = canonical_filter(facts[file.path].filter)
        named.setdefault(found, {})[file.name] = tokens[-1] if tokens else ""
    renamed: dict[str, str] = {}
    for found, tokens_by_name in named.items():
        seen = {canonical_filter(token) for token in tokens_by_name.values() if token}
        if len(seen) > 1:
            renamed |= {
                name: token
                for name, token in tokens_by_name.items()
                if token and canonical_filter(token) != found
            }
    return dict(sorted(renamed.items()))


def _calibration_notes(frames: tuple[Frame, ...], loaded: LoadedProject) -> tuple[str, ...]:
    try:
        return match_calibration(frames, loaded).notes
    except UserError as error:
        return tuple(str(error).splitlines())
