"""Search raw folders for a draft."""

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from platecli.drafting.found_lights import Light
from platecli.drafting.trial_exposures import Trial, named_trials
from platefiles.config.yaml_file import shown
from platefiles.core.errors import UserError
from platefiles.fits.header_reader import Value
from platefiles.frames.dialects import Facts, read_facts
from platefiles.raw_folders.scan import RawFile, scan_folders

AS_LIGHTS: dict[str, dict[str, Value]] = {"*": {"IMAGETYP": "light"}}
"""Header fix for frames none of which says what it is."""

_MOST_NAMES = 12


@dataclass(frozen=True, eq=False)
class RawFolders:
    """The content of raw folders.

    Attributes
    ----------
    folders : tuple of Path
        Absolute.
    files : tuple of RawFile
    facts : mapping of str to Facts
        Facts of the headers of readable files, by path.
    untyped : bool
        Whether no header gives the kind of its frame, so that all count as lights.
    """

    folders: tuple[Path, ...]
    files: tuple[RawFile, ...]
    facts: Mapping[str, Facts]
    untyped: bool

    @cached_property
    def readable(self) -> tuple[tuple[RawFile, Facts], ...]:
        """Readable files with the facts of their headers."""
        return tuple((file, self.facts[file.path]) for file in self.files if not file.reason)

    @cached_property
    def lights(self) -> tuple[Light, ...]:
        """Readable lights; those of colour sensors only if there are no others."""
        every = [Light(file, facts) for file, facts in self.readable if facts.role == "light"]
        return tuple([light for light in every if not light.facts.colour] or every)

    @cached_property
    def trials(self) -> tuple[Trial, ...]:
        """Focus and test exposures by their names."""
        return tuple(named_trials(self.lights))

    @cached_property
    def targeted(self) -> tuple[Light, ...]:
        """Lights without focus and test exposures."""
        left_out = {light for trial in self.trials for light in trial.lights}
        return tuple(light for light in self.lights if light not in left_out)


def read_folders(folders: Sequence[Path]) -> RawFolders:
    """Read the headers in raw folders.

    Parameters
    ----------
    folders : sequence of Path
        Absolute folders.

    Raises
    ------
    UserError
        If a folder is missing, or the folders contain no FITS file or no light.
    """
    files = _scan(folders)
    readable = [file for file in files if not file.reason]
    facts = {file.path: _facts(file, untyped=False) for file in readable}
    untyped = bool(readable) and not any(fact.role for fact in facts.values())
    if untyped:
        facts = {file.path: _facts(file, untyped=True) for file in readable}
    raw = RawFolders(tuple(folders), tuple(files), facts, untyped)
    if not raw.lights:
        raise UserError(_no_lights(files, facts))
    return raw


def no_lights_of(target: str, raw: RawFolders) -> str:
    """Return the message for a target without lights, with the available targets."""
    names = sorted({light.facts.target for light in raw.targeted} - {""})
    have = ", ".join(map(repr, names[:_MOST_NAMES])) + ", ..." * (len(names) > _MOST_NAMES)
    return f"no light has OBJECT = {target!r}; there are {have or 'lights without OBJECT only'}"


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
    fixes = AS_LIGHTS["*"] if untyped else {}
    return read_facts(file.header, file.inside, os.path.basename(file.folder), fixes)


def _no_lights(files: Sequence[RawFile], facts: Mapping[str, Facts]) -> str:
    roles = Counter(facts[file.path].role or "unclear" for file in files if file.path in facts)
    roles["unreadable"] = len(files) - roles.total()
    found = ", ".join(f"{count} {role}" for role, count in sorted(roles.items()) if count)
    first = next((f"{file.name} {file.reason}" for file in files if file.reason), "")
    why = f" ({first})" if first else ""
    return f"no light frames among the FITS files: {found}{why}; add the folder of the lights"
