"""Drafts of projects as a user gets them, and what they say of raw folders."""

import argparse
from collections.abc import Sequence
from pathlib import Path

from platecli.drafting.raw_folders import read_folders
from platecli.drafting.survey import Survey, survey_target
from platecli.drafting.targets import together
from platecli.verbs import new


def draft_projects(
    name: str,
    raw_folders: Sequence[Path],
    projects: Path,
    target: str | None = None,
    way: str | None = None,
) -> list[Path]:
    """Run the verb `new`; return the files that it wrote, by name."""
    before = set(projects.glob("*.yaml"))
    folders = [str(folder) for folder in raw_folders]
    new.run(argparse.Namespace(name=name, raw=folders, target=target, way=way), projects)
    return sorted(set(projects.glob("*.yaml")) - before)


def draft_project(name: str, raw_folders: Sequence[Path], projects: Path) -> Path:
    """Draft one project of all lights of some folders."""
    (path,) = draft_projects(name, raw_folders, projects, way="together")
    return path


def survey_folders(folders: Sequence[Path], project: Path) -> Survey:
    """Look through raw folders as if all lights were of one target."""
    raw = read_folders(folders)
    (target,) = together(raw.targeted).targets
    return survey_target(raw, target, project)
