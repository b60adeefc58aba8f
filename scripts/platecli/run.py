"""The verb `run`: make the pictures of projects with Snakemake, and say what came of it."""

import argparse
from pathlib import Path

from platecli import engine, summary
from platecli.engine import ROOT
from platefiles.config import LoadedProject, load_project
from platefiles.errors import UserError
from platelog import nearest

TARGETS = ("channels", "picture", "all")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what `run` takes."""
    parser.add_argument(
        "project", nargs="+", help="a name in config/projects, or the path of a project file"
    )
    parser.add_argument(
        "--to",
        default="picture",
        metavar="TARGET",
        help=f"how far to go: {', '.join(TARGETS)}, or one file below results (default: picture)",
    )
    parser.add_argument("--cores", type=int, help="processors to use (default: all)")
    parser.add_argument("--dry-run", "-n", action="store_true", help="only say what would be done")
    parser.add_argument(
        "--directory",
        type=Path,
        default=ROOT,
        help="where the folder results lies (default: the checkout)",
    )
    parser.epilog = "Options of Snakemake may follow after a separate --."


def run(args: argparse.Namespace) -> int:
    """Check the projects, make the target and print a summary.

    Raises
    ------
    UserError
        If a project, the target or an option is wrong; nothing was started then.
    """
    projects = load_all(args.project)
    check_target(args.to)
    if args.cores is not None and args.cores < 1:
        msg = f"--cores {args.cores}: at least 1 is needed."
        raise UserError(msg)
    directory = args.directory.absolute()
    if not directory.is_dir():
        msg = f"--directory {args.directory}: there is no such folder; make it first."
        raise UserError(msg)
    return make(projects, args.to, directory, args.cores, args.dry_run, args.extra)


def make(
    projects: list[LoadedProject],
    target: str,
    directory: Path,
    cores: int | None = None,
    dry_run: bool = False,
    extra: list[str] | None = None,
) -> int:
    """Make the target for projects that were checked; return the exit status.

    Parameters
    ----------
    projects
        The projects.
    target, directory, cores, dry_run, extra
        As for `engine.command`.
    """
    names = [given_to_workflow(project) for project in projects]
    status = engine.run(engine.command(names, target, directory, cores, dry_run, extra or []))
    if status == 0 and not dry_run:
        for project in projects:
            results = directory / "results" / project.name
            print(summary.text(project.name, project.project.title, results), flush=True)
    return status


def load_all(words: list[str]) -> list[LoadedProject]:
    """Load every project, or say all that is wrong with any of them.

    Parameters
    ----------
    words
        Names or paths, as the user gave them.

    Raises
    ------
    UserError
        With the problems of all projects.
    """
    loaded, problems = [], []
    for word in dict.fromkeys(words):
        try:
            loaded.append(load_project(word, ROOT / "config" / "projects"))
        except UserError as problem:
            problems.append(str(problem))
    names = [project.name for project in loaded]
    for name in sorted({name for name in names if names.count(name) > 1}):
        problems.append(f"Two of the project files are called {name}; rename one of them.")
    for project in loaded:
        if "," in str(project.path) or '"' in str(project.path):
            problems.append(f"{project.path}: rename it so that it has no comma or double quote.")
    if problems:
        raise UserError("\n".join(problems))
    return loaded


def given_to_workflow(project: LoadedProject) -> str:
    """Return how the workflow is told of a project: its name if it is a shipped place, or its path.

    Parameters
    ----------
    project
        A loaded project.
    """
    usual = ROOT / "config" / "projects" / f"{project.name}.yaml"
    return project.name if project.path == usual else str(project.path)


def check_target(target: str) -> None:
    """Refuse a target that is neither a known rule nor a file.

    Raises
    ------
    UserError
        With the nearest target that exists.
    """
    if target in TARGETS or target.startswith("results/"):
        return
    hint = nearest(target, list(TARGETS))
    msg = f"--to {target}: there is no such target{hint} Targets: {', '.join(TARGETS)}."
    raise UserError(msg)
