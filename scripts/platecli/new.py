"""Verb ``new``: draft a project file from the headers of raw frames."""

import argparse
import os
import re
from collections.abc import Sequence
from pathlib import Path

from platecli.draft import calibration_counts, draft_text, duration, nights
from platecli.survey import CALIBRATION_KINDS, Survey, survey_folders
from platefiles.config import SHIPPED
from platefiles.errors import UserError
from platefiles.project import NAME_PATTERN
from platefiles.yamlfile import shown


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument(
        "name", metavar="NAME", help="name of the project: small letters, digits, - and _"
    )
    parser.add_argument(
        "raw", metavar="RAW", nargs="+", type=Path, help="folders of raw frames, lights and others"
    )


def run(args: argparse.Namespace) -> int:
    """Draft the file, and say what was found and what to do next."""
    path, survey = _draft(args.name, args.raw, SHIPPED / "projects")
    print("\n".join(summary(survey, path)))
    return 0


def draft_project(name: str, raw_folders: Sequence[str | Path], projects_dir: str | Path) -> Path:
    """Draft ``NAME.yaml`` from what the headers of raw frames say.

    Parameters
    ----------
    name : str
        Name of the project.
    raw_folders : sequence of path
        Folders of raw frames, searched with all folders inside.
    projects_dir : path
        Where the file is written.

    Returns
    -------
    Path
        The new file, absolute.

    Raises
    ------
    UserError
        If the name cannot be one, the file is there already, a folder is not there, or there is
        no light frame in them. Nothing is written then.
    """
    return _draft(name, raw_folders, projects_dir)[0]


def summary(survey: Survey, path: Path) -> list[str]:
    """Say in a few lines what was found and what comes next."""
    lines = [f"Drafted {shown(path)} from {len(survey.frames)} files."]
    for name, filters in survey.channels.items():
        lights = survey.of_role("light", name)
        total = duration(sum(frame.exposure_s for frame in lights))
        count = len(nights(lights))
        lines.append(
            f"  {name} ({', '.join(filters)}): {len(lights)} lights, {total}, "
            f"{count} night{'s' if count != 1 else ''}"
        )
    if survey.calibrated:
        lines.append("  The lights look calibrated already (see 'calibrated' in the file).")
    else:
        for kind in CALIBRATION_KINDS:
            lines.append(f"  {kind}: {'; '.join(calibration_counts(survey, kind))}")
    left_out = survey.of_role("unused")
    if left_out:
        lines.append(f"  left out: {len(left_out)}, with reasons in the file")
    if survey.renamed:
        lines.append("  Names of files tell of other filters than FILTER does: see the file.")
    return [
        *lines,
        "Look it through, then:",
        f"  python3 scripts/platelog.py run {path.stem}",
    ]


def _draft(
    name: str, raw_folders: Sequence[str | Path], projects_dir: str | Path
) -> tuple[Path, Survey]:
    if not re.fullmatch(NAME_PATTERN, name):
        msg = (
            f"{name!r} cannot be the name of a project: take small letters, digits, - and _, "
            "at most 40, such as 'my-target'"
        )
        raise UserError(msg)
    projects = Path(os.path.abspath(projects_dir))
    path = projects / f"{name}.yaml"
    if os.path.lexists(path):
        msg = f"{shown(path)} is there already and stays as it is; choose another name"
        raise UserError(msg)
    folders = [Path(os.path.abspath(Path(folder).expanduser())) for folder in raw_folders]
    survey = survey_folders(list(dict.fromkeys(folders)), path)
    _write_new(path, draft_text(survey, name, projects))
    return path, survey


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
        msg = f"{shown(path)} is there already and stays as it is; choose another name"
        raise UserError(msg) from None
    except OSError as error:
        msg = f"{shown(path)} cannot be written ({error.strerror})"
        raise UserError(msg) from None
