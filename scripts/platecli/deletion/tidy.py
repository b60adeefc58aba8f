"""The verb `tidy`: delete products of earlier plans of a project."""

import argparse
from collections.abc import Iterable, Sequence

from platecli.deletion.question import (
    add_projects,
    counted,
    delete_if_wanted,
    kept_lines,
    size_text,
    with_projects,
)
from platefiles.core.safe_names import escape
from platefiles.plan.project_plan import ProjectPlan
from platefiles.workflow.deletable import Candidate
from platefiles.workflow.graph import products_of
from platefiles.workflow.leftovers import find_leftovers


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `tidy`."""
    add_projects(parser)
    parser.add_argument(
        "--gone",
        action="store_true",
        help="also delete products whose raw frames are missing; they cannot be made again",
    )


def run(args: argparse.Namespace) -> int:
    """List leftovers with their sizes, ask, and delete them.

    Raises
    ------
    UserError
        As `platecli.deletion.question.with_projects`.
    """
    return with_projects(args, lambda plans: _tidied(plans, args.gone, args.yes))


def _tidied(plans: Iterable[ProjectPlan], with_gone: bool, unasked: bool) -> int:
    """List and delete; return the exit status."""
    wanted: list[Candidate] = []
    for plan in plans:
        fingerprints = {frame.fingerprint for frame in plan.frames}
        found = find_leftovers(plan.results, products_of(plan), fingerprints)
        chosen = [one for one in found if not one.kept and (with_gone or not one.gone)]
        print("\n".join(text(plan.loaded.name, found, chosen)), flush=True)
        wanted += chosen
    return delete_if_wanted(wanted, unasked)


def text(project: str, found: Sequence[Candidate], chosen: Sequence[Candidate]) -> Iterable[str]:
    """Return the lines about the leftovers of a project.

    Parameters
    ----------
    project : str
        Its name.
    found, chosen : sequence of Candidate
        All of them, and those that are to be deleted.
    """
    if not found:
        yield f"{project}: no products of an earlier plan"
        return
    if chosen:
        yield f"{project}: {counted(chosen)} that its plan no longer makes:"
        for one in chosen:
            yield f"  {size_text(one.size_bytes):>8}  {escape(one.path)}"
    yield from kept_lines(project, found)
    gone = [one for one in found if one.gone and not one.kept and one not in chosen]
    if gone:
        yield (
            f"{project}: kept: {counted(gone)} whose raw frames no longer exist, "
            f"so that no run can make {'it' if len(gone) == 1 else 'them'} again; --gone deletes "
            f"{'it' if len(gone) == 1 else 'them'} too:"
        )
        for one in gone:
            yield f"  {size_text(one.size_bytes):>8}  {escape(one.path)}"
