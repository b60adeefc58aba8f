"""Verb ``new``: draft project files from the headers of raw frames, one for each target."""

import argparse
import os
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from platecli.drafting.draft import draft_text
from platecli.drafting.draft_summary import found_lines, next_lines
from platecli.drafting.raw_folders import RawFolders, no_lights_of, read_folders
from platecli.drafting.survey import Survey, survey_target
from platecli.drafting.targets import Grouping, Target, group_lights, of_object, together
from platecli.text.outlook import first_of
from platecli.text.screen import show
from platefiles.config.load import SHIPPED
from platefiles.config.project import NAME_PATTERN
from platefiles.config.yaml_file import shown
from platefiles.core.errors import UserError
from platefiles.core.safe_names import slug

_LONGEST = 40
_MOST_LISTED = 6
_MOST_TARGETS = 8
"""More than so many projects at once are rarely meant: OBJECT may hold the number of the frame."""


@dataclass(frozen=True)
class Draft:
    """A project file that is to be written.

    Attributes
    ----------
    path : Path
    survey : Survey
    """

    path: Path
    survey: Survey


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of the verb."""
    parser.add_argument(
        "name", metavar="NAME", help="name of the project: small letters, digits, - and _"
    )
    parser.add_argument(
        "raw", metavar="RAW", nargs="+", type=Path, help="folders of raw frames, lights and others"
    )
    parser.add_argument(
        "--target", metavar="OBJECT", help="draft only the target with this OBJECT in the headers"
    )
    ways = parser.add_mutually_exclusive_group()
    ways.add_argument(
        "--split",
        action="store_const",
        const="split",
        dest="way",
        help="one project for each pointing, if an OBJECT has several",
    )
    ways.add_argument(
        "--together",
        action="store_const",
        const="together",
        dest="way",
        help="one project of all lights, whatever their OBJECT and pointing",
    )
    parser.epilog = (
        "Each of several targets becomes a project, called NAME-TARGET. For several pointings "
        f"of one OBJECT, or more than {_MOST_TARGETS} targets, `new` writes nothing without "
        "--split or --together."
    )


def run(args: argparse.Namespace, projects_dir: Path = SHIPPED / "projects") -> int:
    """Draft the files, and print the findings and the next step."""
    raw = _read(args.name, args.raw)
    grouping = _grouping(raw, args.name, args.raw, args.target, args.way)
    drafts, problems = _drafts(raw, args.name, grouping, projects_dir)
    _write_all(drafts, args.name)
    for draft in drafts:
        show(found_lines(draft.survey, draft.path))
    show([*problems, *_left_over(grouping, args.name, args.raw)])
    show(next_lines([draft.path for draft in drafts]))
    return 0


def _read(name: str, raw_folders: Sequence[str | Path]) -> RawFolders:
    if not re.fullmatch(NAME_PATTERN, name):
        msg = (
            f"{name!r} cannot be the name of a project: take small letters, digits, - and _, "
            "at most 40, such as 'my-target'"
        )
        raise UserError(msg)
    folders = [Path(os.path.abspath(Path(folder).expanduser())) for folder in raw_folders]
    outermost = [one for one in folders if not any(other in one.parents for other in folders)]
    return read_folders(list(dict.fromkeys(outermost)))


def _grouping(
    raw: RawFolders,
    name: str,
    raw_folders: Sequence[str | Path],
    target: str | None,
    way: str | None,
) -> Grouping:
    lights = raw.targeted
    if target is not None:
        lights = tuple(of_object(raw.targeted, target))
        if not lights:
            raise UserError(no_lights_of(target, raw))
    grouping = together(lights) if way == "together" else group_lights(lights)
    if way is None:
        command = _command(name, raw_folders, target)
        if grouping.several_pointings:
            raise UserError(_question_of_pointings(grouping, command))
        if len(grouping.targets) > _MOST_TARGETS:
            raise UserError(_question_of_targets(grouping, command))
    return grouping


def _question_of_pointings(grouping: Grouping, command: str) -> str:
    """Ask whether pointings of one OBJECT are one target or several."""
    title = grouping.several_pointings[0].title
    same = [one for one in grouping.several_pointings if one.title == title]
    places = [
        f"RA {one.place[0]:.3f}, Dec {one.place[1]:+.3f} ({len(one.lights)} lights)"
        for one in same
        if one.place
    ]
    what = f"OBJECT = {title!r} has" if title else "lights without OBJECT have"
    return (
        f"{what} {len(same)} pointings that overlap by less than half: "
        f"{first_of(places, _MOST_LISTED)}; nothing is drafted. {_both_ways(command)}."
    )


def _question_of_targets(grouping: Grouping, command: str) -> str:
    """Ask whether so many targets are meant."""
    titles = [target.title for target in grouping.targets]
    return (
        f"the lights have {len(titles)} targets: {first_of(titles, _MOST_LISTED)}; nothing is "
        f"drafted. {_both_ways(command)}, `{command} --target OBJECT` one of that target."
    )


def _both_ways(command: str) -> str:
    return (
        f"`{command} --split` drafts a project for each, `{command} --together` one of all lights"
    )


def _command(name: str, raw_folders: Sequence[str | Path], target: str | None) -> str:
    words = ["python3 scripts/platelog.py new", name, *(_shell(str(one)) for one in raw_folders)]
    return " ".join([*words, *([f"--target {_shell(target)}"] if target else [])])


def _shell(word: str) -> str:
    import shlex

    return shlex.quote(word)


def _drafts(
    raw: RawFolders, name: str, grouping: Grouping, projects_dir: str | Path
) -> tuple[list[Draft], list[str]]:
    """Survey each target, and say which ones cannot be drafted; nothing is written."""
    projects = Path(os.path.abspath(projects_dir))
    names = project_names(name, grouping.targets)
    paths = [projects / f"{one}.yaml" for one in names]
    for path in paths:
        if os.path.lexists(path):
            raise UserError(_is_there(path))
    drafts, problems = [], []
    for path, target in zip(paths, grouping.targets, strict=True):
        try:
            drafts.append(Draft(path, survey_target(raw, target, path)))
        except UserError as problem:
            problems.append(f"No draft for {target.title or 'lights without OBJECT'}: {problem}")
            if len(problems) == len(paths):
                raise
    return drafts, problems


def project_names(name: str, targets: Sequence[Target]) -> list[str]:
    """Return the names of projects: ``NAME``, or ``NAME-TARGET`` where there are several targets.

    Parameters
    ----------
    name : str
        The name that the user gave.
    targets : sequence of Target
    """
    if len(targets) == 1:
        return [name]
    names: list[str] = []
    for target in targets:
        several = f"-{target.number}" if target.number else ""
        only_one = len({one.title for one in targets}) == 1
        longest = _LONGEST - len(name) - len(several) - 4
        title = "" if only_one else slug(target.title or "no object", max(longest, 8))
        base = f"{name}-{title.replace('_', '-')}" if title else name
        unique = wanted = f"{base}{several}"
        number = 2
        while unique in names:
            unique, number = f"{wanted}-{number}", number + 1
        names.append(unique)
    too_long = next((one for one in names if len(one) > _LONGEST), "")
    if too_long:
        msg = f"{name!r} is too long: with the name of a target it gives {too_long!r}; at most 40"
        raise UserError(msg)
    return names


def _left_over(grouping: Grouping, name: str, raw_folders: Sequence[str | Path]) -> list[str]:
    """Return which lights became part of no draft."""
    lines = []
    for target in grouping.few:
        count = len(target.lights)
        line = f"No draft for {count} light{'s' * (count > 1)} of {target.title or 'no OBJECT'}"
        if target.title:
            command = _command(f"{name}-other", raw_folders, target.title)
            line += f", which are too few. `{command}` drafts one"
        lines.append(f"{line}.")
    if grouping.unclear:
        first = grouping.unclear[0].file.name
        lines.append(
            f"{len(grouping.unclear)} lights are in no draft, because their headers name no "
            f"target (first: {first}): set OBJECT under `header_fixes`."
        )
    return lines


def _is_there(path: Path) -> str:
    return f"{shown(path)} exists already and is not overwritten; choose another name"


def _write_all(drafts: Sequence[Draft], name: str) -> None:
    """Write all files, or none."""
    several = len(drafts) > 1
    texts = [
        draft_text(draft.survey, draft.path.stem if several else name, draft.path.parent)
        for draft in drafts
    ]
    written: list[Path] = []
    try:
        for draft, text in zip(drafts, texts, strict=True):
            _write_new(draft.path, text)
            written.append(draft.path)
    except UserError:
        for path in written:
            with suppress(OSError):
                path.unlink()
        raise


def _write_new(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as stream:
            try:
                stream.write(text)
                stream.flush()
                os.fsync(stream.fileno())
            except OSError:
                path.unlink()
                raise
    except FileExistsError:
        raise UserError(_is_there(path)) from None
    except OSError as error:
        msg = f"{shown(path)} cannot be written ({error.strerror})"
        raise UserError(msg) from None
