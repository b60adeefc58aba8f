"""Ask before files are deleted, delete them, and say what was deleted."""

import argparse
import contextlib
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from platecli.arguments.naming import PROJECTS, WrongCommand, add_directory
from platecli.text import outcome
from platecli.verbs.run import checked_words
from platefiles.core.safe_names import escape
from platefiles.digests.digest_sheet import forget
from platefiles.jobs.orphans import refuse_orphans
from platefiles.jobs.run_lock import RESULTS, Busy, hold_run_lock
from platefiles.plan.project_plan import ProjectPlan
from platefiles.workflow.deletable import Candidate, delete
from platefiles.workflow.open_project import named, open_projects


def add_projects(parser: argparse.ArgumentParser) -> None:
    """Declare the projects, the folder of results and `--yes`."""
    parser.add_argument(
        "project",
        nargs="+",
        help="a name in config/projects, or the path of a project file or of its results",
    )
    parser.add_argument("--yes", action="store_true", help="delete without asking, for scripts")
    add_directory(parser)
    parser.epilog = (
        "Deletes only files that a run recorded and that were not changed since; "
        "never raw frames, settings or lock files. "
        f"Exit status: 0 there was nothing to delete, or all of it was deleted, or the answer was "
        f"no; {outcome.FAILED} something could not be deleted, or a project is wrong; "
        f"{outcome.WRONG} there was nobody to ask; {outcome.BUSY} a run is at work."
    )


def with_projects(args: argparse.Namespace, act: Callable[[Iterable[ProjectPlan]], int]) -> int:
    """Open projects while no run is at work in their results; return the exit status.

    Parameters
    ----------
    args : argparse.Namespace
        With ``project`` and ``directory``.
    act : callable
        What to do with the plans, in the folder that contains the results.

    Raises
    ------
    UserError
        If a project or the folder is not there, or jobs of a killed run are still at work.
    """
    directory: Path = args.directory.absolute()
    if not directory.is_dir():
        msg = f"--directory {args.directory}: there is no such folder"
        raise WrongCommand(msg)
    words = checked_words(args.project, directory)
    results = directory / RESULTS
    if results.is_dir():
        try:
            hold_run_lock(results)
        except Busy as busy:
            print(busy, file=sys.stderr)
            return outcome.BUSY
        refuse_orphans(results)
    plans, problems = open_projects(words, PROJECTS, True, True, directory)
    alone = len(plans) + len(problems) == 1
    for name, problem in problems.items():
        print(named(problem, name, alone), file=sys.stderr, flush=True)
    with contextlib.chdir(directory):
        status = act(plans.values())
    return status or (outcome.FAILED if problems else 0)


def delete_if_wanted(wanted: Sequence[Candidate], unasked: bool) -> int:
    """Ask, delete, and return the exit status.

    Parameters
    ----------
    wanted : sequence of Candidate
    unasked : bool
        Whether to delete without a question.
    """
    if not wanted:
        return 0
    if not unasked:
        print(f"Delete {counted(wanted)}? [y/N] ", end="", flush=True)
        answer = sys.stdin.readline() if sys.stdin is not None else ""
        if not answer:
            print("\nNothing was deleted, since nobody answered; --yes deletes without asking.")
            return outcome.WRONG
        if answer.strip().lower() not in ("y", "yes"):
            print("Nothing was deleted.")
            return 0
    done, status = deleted(wanted)
    print(f"{counted(done)} deleted.")
    return status


def deleted(wanted: Sequence[Candidate]) -> tuple[list[Candidate], int]:
    """Delete files and their lines in lists of digests.

    Returns
    -------
    done : list of Candidate
        Those that were deleted; the reason for each other one is printed.
    status : int
        Exit status.
    """
    done, status = [], 0
    for one in wanted:
        try:
            if delete(one):
                done.append(one)
                continue
            problem = "the file was replaced; it is kept"
        except OSError as error:
            problem = error.strerror or str(error)
        print(f"{escape(os.path.abspath(one.path))}: {problem}", file=sys.stderr)
        status = outcome.FAILED
    for results in {_results_of(one.path) for one in done}:
        forget(results, {os.path.relpath(one.path, results) for one in done})
    return done, status


def kept_lines(project: str, files: Iterable[Candidate]) -> Iterable[str]:
    """Return a line for each file that is kept for a reason of its own."""
    for one in files:
        if one.kept:
            yield f"{project}: kept: {escape(one.path)}: {one.kept}; delete it by hand"


def counted(files: Sequence[Candidate], what: str = "product") -> str:
    """Return the number of files and their size: ``3 products (12.3 MB)``."""
    size = size_text(sum(one.size_bytes for one in files))
    return f"{len(files)} {what}{'' if len(files) == 1 else 's'} ({size})"


def size_text(size_bytes: int) -> str:
    """Return a size for people: ``12.3 MB``."""
    for unit, power in (("GB", 9), ("MB", 6), ("kB", 3)):
        if size_bytes >= 10**power:
            return f"{size_bytes / 10**power:.1f} {unit}"
    return f"{size_bytes} bytes"


def _results_of(path: str) -> str:
    """Return the results of the project that a product, ``results/m31/...``, belongs to."""
    return os.path.join(*path.split("/")[:2])
