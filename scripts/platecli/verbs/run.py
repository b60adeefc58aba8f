"""The verb `run`: make the pictures of projects with Snakemake, and report the outcome."""

import argparse
import contextlib
import os
import sys
import time
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from platecli.arguments.naming import PROJECTS, WrongCommand, add_directory, project_word
from platecli.arguments.stage import Targets, check_files, check_stage
from platecli.execution import engine
from platecli.execution.caches import give_room
from platecli.execution.dry_run import dry_run_lines, is_planned
from platecli.execution.engine import ROOT
from platecli.execution.workload import workload
from platecli.text import outcome, summary
from platecli.text.added import added_lines, before_run
from platecli.text.outcome import ProjectOutcome, RunOutcome
from platecli.text.outlook import Outlook, first_of, in_words, look_ahead
from platecli.text.screen import show
from platefiles.audit.damage import mark_damaged
from platefiles.config.machine import Machine, read_machine
from platefiles.core.errors import UserError
from platefiles.digests.previous_pictures import forget_subs, keep_pictures, replace_previous
from platefiles.digests.project_digests import write_all_digests
from platefiles.jobs.run_lock import Busy, hold_run_lock
from platefiles.plan.project_plan import ProjectPlan
from platefiles.workflow.graph import Product
from platefiles.workflow.makers import stages
from platefiles.workflow.noted_plan import note_products
from platefiles.workflow.open_project import OPENED, named, open_projects
from platefiles.workflow.reasons import NOT_THERE
from platefiles.workflow.reference_notes import lock_doubt
from platelog import STOPPED
from snakemake_logger_plugin_platelog.reasons import reason_in_logs

MACHINE = Path(os.environ.get("PLATELOG_MACHINE") or ROOT / "config" / "machine.yaml")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `run`."""
    add_projects(parser)
    parser.add_argument("--cores", type=int, help="processors to use (default: all)")
    parser.add_argument("--dry-run", "-n", action="store_true", help="only list the jobs")
    parser.add_argument(
        "--verify",
        action="store_true",
        help="first read every byte of the products, and make changed ones again",
    )
    parser.add_argument(
        "--exit-code",
        action="store_true",
        help=f"end with status {outcome.NOTHING_NEW} if there was nothing new",
    )
    parser.epilog = "Options of Snakemake may follow after a separate --."


def add_projects(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of verbs for projects."""
    parser.add_argument(
        "project",
        nargs="*",
        help="a name in config/projects, or the path of a project file or of its results "
        "(default: all projects)",
    )
    parser.add_argument(
        "--to",
        action=Targets,
        default=["picture"],
        metavar="STAGE",
        help=f"stage to make: {', '.join(stages())}, or one file below results (default: picture); "
        "may be given several times",
    )
    add_directory(parser)


def run(args: argparse.Namespace) -> int:
    """Open the projects, make the targets and report the outcome.

    Raises
    ------
    UserError
        If a target, an option or the settings of the machine are wrong; nothing was started then.
    """
    directory = checked_directory(args)
    machine = _machine()
    if args.cores is not None and args.cores < 1:
        msg = f"--cores {args.cores}: at least 1 is needed."
        raise WrongCommand(msg)
    if args.verify and args.dry_run:
        msg = "--verify --dry-run: a dry run writes nothing; `verify` says what was changed."
        raise WrongCommand(msg)
    words = checked_words(args.project, directory)
    status = make(
        words, args.to, directory, args.cores, args.dry_run, args.extra, machine, args.verify
    )
    return 0 if status == outcome.NOTHING_NEW and not args.exit_code else status


def checked_directory(args: argparse.Namespace) -> Path:
    """Check the targets and the working directory and return the latter.

    Raises
    ------
    WrongCommand
        If one of them is not there.
    """
    for stage in args.to:
        check_stage(stage)
    directory = args.directory.absolute()
    if not directory.is_dir():
        msg = f"--directory {args.directory}: there is no such folder; make it first."
        raise WrongCommand(msg)
    return directory


def checked_words(words: Sequence[str], directory: Path = ROOT) -> list[str]:
    """Return names of projects, and paths of project files so that they hold in any folder.

    Parameters
    ----------
    words
        As for `platecli.arguments.naming.project_word`.
    directory
        Where the folder of results lies.

    Raises
    ------
    WrongCommand
        If there is no such project; all of them are named.
    """
    problems, found = [], []
    for word in words:
        try:
            found.append(project_word(word, directory))
        except WrongCommand as problem:
            problems.append(str(problem))
    if problems:
        raise WrongCommand("\n".join(problems))
    return found


def _machine() -> Machine:
    try:
        return read_machine(MACHINE)
    except UserError as problem:
        raise WrongCommand(str(problem)) from None


def make(
    words: Sequence[str],
    targets: Sequence[str],
    directory: Path,
    cores: int | None = None,
    dry_run: bool = False,
    extra: Sequence[str] = (),
    machine: Machine | None = None,
    verify: bool = False,
) -> int:
    """Make the targets for projects, each independent of the others; return the exit status.

    Parameters
    ----------
    words
        Names or absolute paths of projects; none for all of ``config/projects``.
    targets, directory, cores, dry_run, extra
        As for `engine.command`.
    machine
        What may be taken of this machine.
    verify
        Whether to read every byte of the products first.
    """
    machine = machine or Machine()
    start = time.monotonic()
    results = directory / "results"
    if not dry_run:
        try:
            hold_run_lock(results)
        except Busy as problem:
            print(problem, file=sys.stderr)
            outcome.write_line(results, "another run is active")
            return outcome.BUSY
    give_room(results)
    plans, problems = open_projects(words, PROJECTS, True, dry_run, directory)
    with contextlib.chdir(directory):  # paths of results are relative, as in the workflow
        alone = len(plans) + len(problems) == 1
        for name, problem in problems.items():
            print(named(problem, name, alone), file=sys.stderr, flush=True)
        if not plans and not problems:
            print(f"{PROJECTS} holds no project; `new` drafts one.", file=sys.stderr)
            return outcome.WRONG
        check_files(targets, plans.values())
        for name, plan in plans.items():
            if doubt := lock_doubt(plan):
                print(named(doubt, name, alone), file=sys.stderr, flush=True)
            for path in mark_damaged(plan) if verify else ():
                print(f"{path}: was changed, and no job makes it; restore a copy, or delete it")
        ahead = {name: look_ahead(plan, *targets) for name, plan in plans.items()}
        _note_plans(() if dry_run else ahead.values())
        for name, one in ahead.items():
            for why, jobs in one.reasons().items():
                if why != NOT_THERE:
                    print(f"{name}: {why}: {first_of(jobs, 3)}", flush=True)
        status = 0
        names = _at_work(ahead, targets, extra)
        befores = {} if dry_run else {name: before_run(one) for name, one in ahead.items()}
        for one in () if dry_run else ahead.values():
            paths = [product.path for product in one.to_make]
            for problem in keep_pictures(one.plan, paths, one.products):
                print(problem, file=sys.stderr, flush=True)
        if dry_run and is_planned(ahead.values(), targets, extra):
            show(dry_run_lines(ahead))
        elif names:
            limits = (cores or machine.cores, machine.memory_gb)
            command = engine.command(
                names, targets, directory, limits[0], dry_run, extra, limits[1]
            )
            steps = [product.step for one in ahead.values() for product in one.to_make]
            work = workload(ahead.values(), limits[0] or engine.all_cores())
            OPENED.update({given_to_workflow(one.plan): one.plan for one in ahead.values()})
            status = engine.run(command, () if dry_run else steps, work)
            OPENED.clear()
        elif plans:
            print("Nothing new to do.", flush=True)
        if status == STOPPED:
            outcome.write_line(results, "stopped")
            return STOPPED
        if dry_run:
            return status or (outcome.FAILED if problems else 0)
        after = {
            name: look_ahead(plans[name], *targets) if one.to_make else one
            for name, one in ahead.items()
        }
        _note_plans(after.values())  # stored subs that were asked for by path are part of it now
        unwritten = []
        for one in after.values():
            unwritten += replace_previous(one.plan, one.stale, one.products)
        unwritten += write_all_digests((one.plan, one.products) for one in after.values())
        for problem in () if status else unwritten:
            print(problem, file=sys.stderr, flush=True)
        done = [_outcome(one, after[name]) for name, one in ahead.items()]
        added = {name: added_lines(before, after[name]) for name, before in befores.items()}
        for one in after.values():
            if not one.to_make:
                forget_subs(one.plan)
    done += [ProjectOutcome(name, "", "failed", problem=text) for name, text in problems.items()]
    for project in done:
        _sum_up(project, after.get(project.name), results, len(done) == 1)
        if lines := added.get(project.name):
            print("\n".join(["  added by this run:", *lines]), flush=True)
    return _finish(
        RunOutcome(_status(status, done), done, time.monotonic() - start), results, machine
    )


def _at_work(
    ahead: Mapping[str, Outlook], targets: Sequence[str], extra: Sequence[str]
) -> list[str]:
    """Return the projects to pass to Snakemake, as arguments of the workflow."""
    every = extra or not {*targets} <= {*stages()}
    return [given_to_workflow(one.plan) for one in ahead.values() if every or one.to_make]


def _note_plans(outlooks: Iterable[Outlook]) -> None:
    """Note the products of each plan, so that later runs recognise those of earlier plans."""
    for one in outlooks:
        note_products(one.plan.results, one.products)


def _sum_up(project: ProjectOutcome, after: Outlook | None, results: Path, alone: bool) -> None:
    """Print the outcome of a project: present products and failures."""
    if project.outcome == "made" or (alone and project.outcome == "nothing new") or project.left:
        not_made = {results.parent / path for path in project.left}
        old = after.stale - after.provisional if after else ()
        stale = [Path(path).name for path in old if "/field/" in path]
        folder = results / project.name
        print(summary.text(project.name, project.title, folder, stale, not_made), flush=True)
        for line in (*project.provisional_lines, *project.failure_lines):
            print(f"  {line}", flush=True)
    elif project.outcome == "failed" and not alone:  # it was said before all the others were made
        print(project.line, flush=True)


def _status(status: int, done: Sequence[ProjectOutcome]) -> int:
    if status:
        return status
    if any(project.outcome == "failed" for project in done):
        return outcome.FAILED
    return 0 if any(project.outcome == "made" for project in done) else outcome.NOTHING_NEW


def _finish(came: RunOutcome, results: Path, machine: Machine) -> int:
    """Write the log and tell the user's program."""
    outcome.write_line(results, came.summary)
    if machine.on_finish and came.is_news:
        problem = outcome.tell(machine.on_finish, came, results.parent)
        if problem:
            print(problem, file=sys.stderr)
            outcome.write_line(results, problem)
    return came.status


def _outcome(before: Outlook, after: Outlook) -> ProjectOutcome:
    """Compare a project with its jobs before the run."""
    plan = before.plan
    left = [product for product in after.to_make if product.path not in after.provisional]
    name, title = plan.loaded.name, plan.loaded.project.title
    new = {
        channel: {night: len(frames) for night, frames in nights.items()}
        for channel, nights in before.new_by_night.items()
    }
    jobs = len({p.path for p in before.to_make} - {p.path for p in left})
    if left:
        failures = _failures(plan, left)
        why = next(filter(None, failures.values()), "") or _not_made(left)
        paths = tuple(product.path for product in left)
        return ProjectOutcome(name, title, "failed", jobs, new, why, failures, paths)
    again = tuple(product.path for product in after.to_make)
    outcome_word = "made" if jobs else "nothing new"
    return ProjectOutcome(name, title, outcome_word, jobs, new, provisional=again)


def _failures(plan: ProjectPlan, left: Sequence[Product]) -> dict[str, str]:
    """Return why jobs failed, by job in words, without those that only wait for one of them."""
    paths = {product.path for product in left}
    first = [p for p in left if not paths & {*p.inputs}]
    return {in_words(p): reason_in_logs([p.log]) for p in first or left}


def _not_made(left: Sequence[Product]) -> str:
    return f"{in_words(left[0])} was not made" + (f", nor {len(left) - 1} more" if left[1:] else "")


def given_to_workflow(plan: ProjectPlan) -> str:
    """Return the argument of the workflow for a project: its name if shipped, or its path.

    Parameters
    ----------
    plan
        An open project.
    """
    loaded = plan.loaded
    usual = PROJECTS / f"{loaded.name}.yaml"
    return loaded.name if loaded.path == usual else str(loaded.path)
