"""The verb `stars`: fetch the star catalogues of all projects, and report on each."""

import argparse
import sys

from platecli.arguments.naming import PROJECTS, WrongCommand
from platecli.text import outcome
from platecli.verbs.run import checked_words
from platefiles.config.load import find_projects, load_project
from platefiles.config.project import LoadedProject
from platefiles.config.star_archives import CATALOGUES, DEEPEST, line_to_add
from platefiles.core.errors import UserError
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import scan_folders
from platelog import nearest


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `stars`."""
    parser.add_argument(
        "project",
        nargs="*",
        help="a name in config/projects, or the path of a project file (default: all projects)",
    )
    parser.add_argument(
        "--catalogue",
        metavar="NAME",
        help="fetch this one for projects without a catalogue; prints the line to add to them "
        f"({', '.join(CATALOGUES)})",
    )
    parser.add_argument("--again", action="store_true", help="fetch stored tables again")
    parser.epilog = (
        "One query a field; the table is stored beside the project file. Fetches only for projects "
        "whose `sky` names a published catalogue or a cone_search."
    )


def run(args: argparse.Namespace) -> int:
    """Fetch the stars of each project and print a line about it.

    Raises
    ------
    WrongCommand
        If there is no such project or catalogue; nothing was asked then.
    """
    if args.catalogue is not None and args.catalogue not in CATALOGUES:
        hint = nearest(args.catalogue, list(CATALOGUES))
        msg = f"--catalogue {args.catalogue}: there is no such catalogue{hint}"
        raise WrongCommand(f"{msg} Catalogues: {', '.join(CATALOGUES)}.")
    words = checked_words(args.project) or find_projects(PROJECTS)
    if not words:
        print(f"{PROJECTS} holds no project; `new` drafts one.", file=sys.stderr)
        return outcome.WRONG
    failed = False
    for word in words:
        try:
            loaded = load_project(word, PROJECTS)
            if loaded.project.only_if_named and not args.project:
                continue
            state, line = _stars(loaded, args.catalogue, args.again)
        except UserError as problem:
            state, line = "failed", str(problem)
        failed |= state == "failed"
        stream = sys.stderr if state == "failed" else sys.stdout
        print(line, file=stream, flush=True)
    return outcome.FAILED if failed else 0


def _stars(loaded: LoadedProject, catalogue: str | None, again: bool) -> tuple[str, str]:
    """Return the outcome of fetching the stars of a project, and its line."""
    from platefiles.astrometry.cone_search import stars_of  # libraries that take long to import

    if loaded.fetched_star_path(catalogue) is None:
        return "none", f"{loaded.name}: {_own(loaded)}"
    raw = scan_folders(loaded.raw_folders, None, False)
    came = stars_of(loaded, raw, build_frame_list(raw, loaded), catalogue, again)
    told = f"not fetched: {came.text}" if came.state == "failed" else came.text
    unnamed = loaded.fetched_star_path() is None
    if unnamed and catalogue and came.state != "failed":
        told += f"; to use them, add {line_to_add(loaded.path.name, catalogue)}"
    return came.state, f"{loaded.name}: {told}"


def _own(loaded: LoadedProject) -> str:
    if loaded.star_path is not None:
        return f"uses the table {loaded.project.sky.catalogue}"
    return f"uses Tycho-2; for fainter stars add {line_to_add(loaded.path.name, DEEPEST)}"
