"""The verb `tidy`: delete products of earlier plans of a project."""

import argparse
import contextlib
import os
import sys
from collections.abc import Iterable, Sequence

from platecli.arguments.naming import PROJECTS, WrongCommand, add_directory
from platecli.text import outcome
from platecli.verbs.run import checked_words
from platefiles.core.safe_names import escape
from platefiles.digests.digest_sheet import forget
from platefiles.jobs.orphans import refuse_orphans
from platefiles.jobs.run_lock import RESULTS, Busy, hold_run_lock
from platefiles.plan.project_plan import ProjectPlan
from platefiles.workflow.graph import products_of
from platefiles.workflow.leftovers import Leftover, delete, find_leftovers
from platefiles.workflow.open_project import named, open_projects


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `tidy`."""
    parser.add_argument(
        "project",
        nargs="+",
        help="a name in config/projects, or the path of a project file or of its results",
    )
    parser.add_argument("--yes", action="store_true", help="delete without asking, for scripts")
    parser.add_argument(
        "--gone",
        action="store_true",
        help="also delete products whose raw frames are missing; they cannot be made again",
    )
    add_directory(parser)
    parser.epilog = (
        "Deletes only files that a run recorded and that were not changed since; "
        "never raw frames, settings or lock files. "
        f"Exit status: 0 there was nothing to delete, or all of it was deleted, or the answer was "
        f"no; {outcome.FAILED} something could not be deleted, or a project is wrong; "
        f"{outcome.WRONG} there was nobody to ask; {outcome.BUSY} a run is at work."
    )


def run(args: argparse.Namespace) -> int:
    """List leftovers with their sizes, ask, and delete them.

    Raises
    ------
    UserError
        If a project or the folder is not there, or jobs of a killed run are still at work.
    """
    directory = args.directory.absolute()
    if not directory.is_dir():
        msg = f"--directory {args.directory}: there is no such folder"
        raise WrongCommand(msg)
    words = checked_words(args.project, directory)
    results = directory / RESULTS
    if results.is_dir():
        try:
            hold_run_lock(results)
        except Busy as problem:
            print(problem, file=sys.stderr)
            return outcome.BUSY
        refuse_orphans(results)
    plans, problems = open_projects(words, PROJECTS, True, True, directory)
    alone = len(plans) + len(problems) == 1
    for name, problem in problems.items():
        print(named(problem, name, alone), file=sys.stderr, flush=True)
    with contextlib.chdir(directory):
        status = _tidied(plans.values(), args.gone, args.yes)
    return status or (outcome.FAILED if problems else 0)


def _tidied(plans: Iterable[ProjectPlan], with_gone: bool, unasked: bool) -> int:
    """List and delete; return the exit status."""
    wanted: list[Leftover] = []
    for plan in plans:
        fingerprints = {frame.fingerprint for frame in plan.frames}
        found = find_leftovers(plan.results, products_of(plan), fingerprints)
        chosen = [one for one in found if not one.kept and (with_gone or not one.gone)]
        print("\n".join(text(plan.loaded.name, found, chosen)), flush=True)
        wanted += chosen
    if not wanted:
        return 0
    if not unasked:
        print(f"Delete {_counted(wanted)}? [y/N] ", end="", flush=True)
        answer = sys.stdin.readline() if sys.stdin is not None else ""
        if not answer:
            print("\nNothing was deleted, since nobody answered; --yes deletes without asking.")
            return outcome.WRONG
        if answer.strip().lower() not in ("y", "yes"):
            print("Nothing was deleted.")
            return 0
    return _deleted(wanted)


def text(project: str, found: Sequence[Leftover], chosen: Sequence[Leftover]) -> Iterable[str]:
    """Return the lines about the leftovers of a project.

    Parameters
    ----------
    project : str
        Its name.
    found, chosen : sequence of Leftover
        All of them, and those that are to be deleted.
    """
    if not found:
        yield f"{project}: no products of an earlier plan"
        return
    if chosen:
        yield f"{project}: {_counted(chosen)} that its plan no longer makes:"
        for one in chosen:
            yield f"  {_size(one.size_bytes):>8}  {escape(one.path)}"
    for one in found:
        if one.kept:
            yield f"{project}: kept: {escape(one.path)}: {one.kept}; delete it by hand"
    gone = [one for one in found if one.gone and not one.kept and one not in chosen]
    if gone:
        yield (
            f"{project}: kept: {_counted(gone)} whose raw frames no longer exist, "
            f"so that no run can make {'it' if len(gone) == 1 else 'them'} again; --gone deletes "
            f"{'it' if len(gone) == 1 else 'them'} too:"
        )
        for one in gone:
            yield f"  {_size(one.size_bytes):>8}  {escape(one.path)}"


def _deleted(wanted: Sequence[Leftover]) -> int:
    """Delete files, say how many, and return the exit status."""
    done, status = [], 0
    for one in wanted:
        try:
            if delete(one):
                done.append(one)
                continue
            problem = "the file was replaced; it is kept"
        except OSError as error:
            problem = error.strerror or str(error)
        print(f"{os.path.abspath(one.path)}: {problem}", file=sys.stderr)
        status = outcome.FAILED
    for results in {_results_of(one.path) for one in done}:
        forget(results, {os.path.relpath(one.path, results) for one in done})
    print(f"{_counted(done)} deleted.")
    return status


def _results_of(path: str) -> str:
    """Return the results of the project that a product, ``results/m31/...``, belongs to."""
    return os.path.join(*path.split("/")[:2])


def _counted(files: Sequence[Leftover]) -> str:
    size = _size(sum(one.size_bytes for one in files))
    return f"{len(files)} product{'' if len(files) == 1 else 's'} ({size})"


def _size(size_bytes: int) -> str:
    """Return a size for people: ``12.3 MB``."""
    for unit, power in (("GB", 9), ("MB", 6), ("kB", 3)):
        if size_bytes >= 10**power:
            return f"{size_bytes / 10**power:.1f} {unit}"
    return f"{size_bytes} bytes"
