"""Checks of a project that need more than one key, one file, or the frames."""

import difflib
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from platefiles.config.header_fixes import value_problem
from platefiles.config.problems import Source, homes, key_name, locate
from platefiles.config.project import PICTURE_KEYS, LoadedProject, Project
from platefiles.config.recipe import Recipe
from platefiles.config.star_archives import CATALOGUES
from platefiles.config.yaml_file import YamlError, YamlFile, read_yaml, shown
from platefiles.core.object_store import is_object_url, url_problem
from platefiles.fits.keywords import KEYS
from platefiles.frames.filters import canonical_filter
from platefiles.frames.left_out import Why
from platefiles.settings.channels import Continua
from platefiles.settings.colour import Mapping

if TYPE_CHECKING:
    from platefiles.frames.frame import Frame


def raw_problems(folders: Sequence[Path | None], file: YamlFile) -> list[str]:
    """List raw folders that are missing, are not folders, or contain one another.

    Parameters
    ----------
    folders : sequence of Path or None
        Absolute folders in the order of the key ``raw``; None for a value that is not a folder.
    file : YamlFile
        The project's file.
    """
    problems = []
    for index, folder in enumerate(folders):
        where = f"{file.where(['raw', index])}: raw"
        if folder is None:
            continue
        if not folder.exists():
            problems.append(f"{where}: no such folder: {shown(folder)}")
        elif not folder.is_dir():
            problems.append(f"{where}: not a folder: {shown(folder)}; give the folder it lies in")
        else:
            others = [other for other in folders if other is not None and other is not folder]
            around = [other for other in others if other in folder.parents]
            around += [other for other in folders[:index] if other == folder]
            if around:
                problems.append(
                    f"{where}: {shown(folder)} is searched already, as {shown(around[0])}; "
                    "leave one of the two out"
                )
    return problems


def stored_problems(given: Sequence[Any], file: YamlFile) -> list[str]:
    """List invalid prefixes in object storage.

    Parameters
    ----------
    given : sequence
        Values of the key ``raw``, of whatever kind.
    file : YamlFile
        The project's file.
    """
    problems = []
    for index, text in enumerate(given):
        problem = url_problem(text) if is_object_url(text) else ""
        if problem:
            problems.append(f"{file.where(['raw', index])}: raw: {problem}")
    return problems


def catalogue_problems(project: Project, file: YamlFile) -> list[str]:
    """List problems of the tables and images under `sky` of a project."""
    sky = project.sky
    given: list[tuple[list[str], str | None]] = [
        (["sky", "catalogue"], None if sky.published else sky.catalogue),
        (["sky", "objects"], sky.objects),
        *((["sky", "overlays", name], path) for name, path in sky.overlays.items()),
    ]
    problems = []
    for keys, text in given:
        if text is None:
            continue
        path = file.path.parent / Path(text).expanduser()
        where = f"{file.where(keys)}: {'.'.join(keys)}"
        if not path.exists():
            hint = _published_hint(text) if keys == ["sky", "catalogue"] else ""
            problems.append(f"{where}: no such file: {shown(path)}{hint}")
        elif not path.is_file():
            problems.append(f"{where}: not a file: {shown(path)}")
    return problems


def _published_hint(text: str) -> str:
    """Return the list of named catalogues, if a text looks like such a name."""
    if "/" in text or Path(text).suffix in (".csv", ".ecsv", ".vot", ".xml"):
        return ""
    close = difflib.get_close_matches(text.lower(), CATALOGUES, 1)
    hint = f" - did you mean '{close[0]}'?" if close else ""
    return f", nor a catalogue of that name{hint}; published ones are {', '.join(CATALOGUES)}"


def overlap_problems(project: Project, file: YamlFile) -> list[str]:
    """List the filters that two channels claim, in any spelling."""
    problems = []
    first: dict[str, str] = {}
    for name, channel in project.channels.items():
        for index, value in enumerate(channel.filters):
            owner = first.setdefault(canonical_filter(value), name)
            if owner != name:
                where = file.where(["channels", name, "filters", index])
                problems.append(
                    f"{where}: channels.{name}.filters: the filter '{value}' is claimed by the "
                    f"channel '{owner}' already; a filter can feed one channel only"
                )
    return problems


def header_fix_problems(project: Project, file: YamlFile) -> list[str]:
    """List header fixes of cards that are never read, and invalid values."""
    problems = []
    for pattern, cards in project.header_fixes.items():
        for key, value in cards.items():
            if key not in KEYS:
                close = difflib.get_close_matches(key, KEYS, 1)
                hint = f" - did you mean '{close[0]}'?" if close else ""
                problem = f"is a card that is never read{hint}"
            else:
                problem = value_problem(key, value)
            if problem:
                where = file.where(["header_fixes", pattern, key])
                problems.append(f"{where}: header_fixes.{pattern}.{key}: {problem}")
    return problems


def picture_problems(project: Project, file: YamlFile) -> list[str]:
    """List further pictures whose names are taken, or whose settings are shared by all pictures."""
    problems = []
    for name, wishes in project.pictures.items():
        where = f"{file.where(['pictures', name])}: pictures.{name}"
        if name == project.recipe:
            problems.append(
                f"{where}: the recipe's picture is called so already; choose another name"
            )
        for key, value in (wishes or {}).items():
            at = f"{file.where(['pictures', name, key])}: pictures.{name}.{key}"
            if key == "title" and not (isinstance(value, str) and 0 < len(value) <= 200):
                problems.append(f"{at}: must be text of at most 200 characters")
            if key in PICTURE_KEYS:
                continue
            if key in Recipe.model_fields:
                problems.append(
                    f"{at}: concerns the channels, which all pictures share; "
                    "give it under 'overrides'"
                )
                continue
            close = difflib.get_close_matches(key, PICTURE_KEYS, 1)
            hint = f" - did you mean '{close[0]}'?" if close else ""
            known = homes(key, Recipe)
            if known:  # a group of the picture's own, or of what all pictures share
                group = known[0].removeprefix("in ")
                own = group.partition(":")[0] in PICTURE_KEYS
                hint = (
                    f"; {key} belongs in {f'pictures: {name}: ' if own else 'overrides: '}{group}"
                )
            problems.append(f"{at}: is not a key of a picture{hint}")
    return problems


def mapping_problems(
    mapping: Mapping, channels: Sequence[str], sources: Sequence[Source]
) -> list[str]:
    """List rows of the mapping that name no channel of the project or whose sum is not positive.

    Parameters
    ----------
    mapping : Mapping
        The effective mapping.
    channels : sequence of str
        Names of the project's channels.
    sources : sequence of Source
        The project's overrides and the recipe's file.
    """
    problems = []
    for row_name, row in mapping.rows.items():
        at = ("mapping", row_name)
        label = f"{locate(sources, at)}: {key_name(sources, at)}"
        if not row:
            problems.append(f"{label}: names no channel; leave '{row_name}' out or name one")
        elif sum(row.values()) <= 0:
            total = sum(row.values())
            problems.append(f"{label}: the weights must sum to more than 0 (they sum to {total:g})")
        for channel in row:
            if channel != "*" and channel not in channels:
                loc = (*at, channel)
                have = ", ".join(channels)
                problems.append(
                    f"{locate(sources, loc)}: {key_name(sources, loc)}: the project has no channel "
                    f"'{channel}' (it has {have}); name the channel so, or give another mapping "
                    "under 'overrides'"
                )
    return problems


def continuum_problems(
    continuum: Continua, channels: Sequence[str], sources: Sequence[Source]
) -> list[str]:
    """List entries of `continuum` whose channels are missing or of the wrong kind.

    Parameters
    ----------
    continuum : mapping of str to Continuum
        The effective setting.
    channels : sequence of str
        Names of the project's channels.
    sources : sequence of Source
        The project's overrides and the recipe's file.
    """
    problems = []
    have = ", ".join(channels)
    for name, choice in continuum.items():
        loc: tuple[str, ...] = ("continuum", name)
        told = ""
        if name not in channels:
            told = f"the project has no channel '{name}' (it has {have}); name the channel so"
        elif choice.minus not in channels or choice.minus in continuum:
            loc = (*loc, "minus")
            others = ", ".join(channel for channel in channels if channel not in continuum)
            told = f"'{choice.minus}' is no broadband channel; name one of {others or 'them'}"
        if told:
            problems.append(f"{locate(sources, loc)}: {key_name(sources, loc)}: {told}")
    return problems


def check_against_sheet(loaded: LoadedProject, frames: "Sequence[Frame]") -> list[str]:
    """Return the channels of a project that have no lights.

    Parameters
    ----------
    loaded : LoadedProject
        The project.
    frames : sequence of Frame
        Its list of frames, from `platefiles.raw_folders.frame_list.build_frame_list`.

    Returns
    -------
    list of str
        Lines ``file:line: key: what is wrong``, with the FILTER values of lights and flats that no
        channel takes; empty if every channel has lights.
    """
    fed = {frame.channel for frame in frames if frame.role == "light"}
    coloured = [frame for frame in frames if frame.why == Why.COLOUR_SENSOR]
    if coloured and not fed:
        return [_no_monochrome_light(loaded.path, coloured, len(frames))]
    seen = _unclaimed(frames)
    problems = []
    for name, channel in loaded.project.channels.items():
        if name not in fed:
            where = _where(loaded.path, ["channels", name])
            sought = ", ".join(repr(value) for value in channel.filters)
            also = f"; frames that no channel takes have {seen}" if seen else ""
            problems.append(
                f"{where}: channels.{name}: no usable light has a FILTER that feeds it "
                f"(sought: {sought}){also}; correct 'filters', or take the channel out"
            )
    return problems


def _no_monochrome_light(path: Path, coloured: "Sequence[Frame]", total: int) -> str:
    first = coloured[0]
    return (
        f"{shown(path)}: no light can be used: {len(coloured)} of {total} files are such as "
        f"{first.name}, which {first.reason}"
    )


def _unclaimed(frames: "Sequence[Frame]") -> str:
    """Return the FILTER values in the list of frames that no channel takes."""
    found = [frame.left_out for frame in frames if frame.left_out is not None]
    unclaimed = [one.named["filter"] for one in found if one.why == Why.NO_CHANNEL]
    counts = Counter(f"FILTER = {value!r}" if value else "no FILTER" for value in unclaimed)
    return ", ".join(f"{value} ({count} files)" for value, count in sorted(counts.items()))


def _where(path: Path, loc: Sequence[str]) -> str:
    try:
        return read_yaml(path).where(loc)
    except YamlError:
        return shown(path)
