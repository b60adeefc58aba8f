"""The plans of a run, opened for the Snakefile."""

import re
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from platefiles.core.errors import UserError
from platefiles.core.safe_names import printable_lines
from platefiles.runs.job_plan import plans_of_targets
from platefiles.runs.plans import Plans
from platefiles.runs.plans_of_jobs import PlansOfJobs
from platefiles.workflow.open_project import OPENED, named, open_projects


def open_plans(
    config: Mapping[str, Any], base: Path, main_process: bool, arguments: Sequence[str]
) -> Plans | PlansOfJobs:
    """Load, scan and match the projects of a run.

    A project with a problem is reported on stderr and left out; the others continue.

    Parameters
    ----------
    config : mapping
        Snakemake's: ``projects`` is a list, or a text with commas, of names or paths of project
        files; without it all of ``config/projects`` are taken, but for those that are to be run
        only if they are named.
    base : Path
        Folder of the Snakefile.
    main_process : bool
        False in a job on another machine, which reads the plan of its job; the list of frames, if
        there is none.
    arguments : sequence of str
        Snakemake's command line, to see its jobs and whether this is a dry run.

    Raises
    ------
    UserError
        With every problem of every project, if none is left; if the results cannot be written.
    """
    if not main_process and (jobs := plans_of_targets(arguments)):
        return PlansOfJobs(jobs)
    dry_run = is_dry_run(arguments)
    wanted = config.get("projects") or []
    if isinstance(wanted, str):
        wanted = [name for name in wanted.split(",") if name]
    problems: dict[str, str] = {}
    if main_process and wanted and OPENED.keys() >= {*wanted}:
        opened = {OPENED[word].loaded.name: OPENED[word] for word in wanted}
    else:
        folder = base / "config" / "projects"
        opened, problems = open_projects(wanted, folder, main_process, dry_run)
    if problems and not opened:
        alone = len(problems) == 1
        raise UserError("\n".join(named(text, name, alone) for name, text in problems.items()))
    if main_process:
        for name, problem in problems.items():
            print(printable_lines(named(problem, name, alone=False)), file=sys.stderr)
    try:
        return Plans(opened, dry_run, main_process, wants_every_job(arguments))
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        msg = f"{where}{error.strerror or error}; correct it and run again"
        raise UserError(msg) from None


def is_dry_run(arguments: Sequence[str]) -> bool:
    """Return whether Snakemake was asked to do nothing."""
    return any(re.fullmatch(r"--dry-?run|-[kpqrF]*n[kpqrF]*", word) for word in arguments)


_OF_UP_TO_DATE = re.compile(
    r"-[A-Za-z]*[fFRtSDUO].*"
    r"|--(?:force|touch|report|dag|rule|file|d3|summ|detail|arch|delete|list|clean|until|omit|gen).*"
)
"""Options of Snakemake that concern products that are up to date, as they may be shortened."""


def wants_every_job(arguments: Sequence[str]) -> bool:
    """Return whether options of Snakemake concern products that are up to date."""
    return any(_OF_UP_TO_DATE.fullmatch(word) for word in arguments)
