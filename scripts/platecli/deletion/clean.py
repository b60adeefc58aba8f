"""The verb `clean`: delete products of a project that a run can make again."""

import argparse
import json
import math
import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from platecli.arguments.naming import WrongCommand
from platecli.deletion.question import (
    add_projects,
    counted,
    delete_if_wanted,
    deleted,
    size_text,
    with_projects,
)
from platecli.execution.engine import all_cores
from platecli.execution.workload import MakingTime, making_time
from platecli.verbs.run import MACHINE
from platefiles.config.machine import read_machine
from platefiles.core.safe_names import escape
from platefiles.plan.project_plan import ProjectPlan
from platefiles.rule_files.rule_text import rule_texts
from platefiles.workflow.deletable import Candidate
from platefiles.workflow.graph import Product
from platefiles.workflow.leftovers import products_in
from platefiles.workflow.next_runs import NextRuns
from platefiles.workflow.remakable import Kind, Remakable, keep_linked, remakable
from snakemake_logger_plugin_platelog.words import plain, rounded

SHOWN = 6


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `clean`."""
    add_projects(parser)
    parser.add_argument(
        "--all",
        action="store_true",
        help="also delete results: channels, pictures, tables; the next run makes them again",
    )
    parser.add_argument(
        "--only",
        metavar="KIND",
        action="append",
        default=[],
        help="delete the products of one rule or folder, such as master_flat or measures; may be "
        "given several times",
    )
    parser.add_argument(
        "--json",
        action="store_true",
        help="print the list as JSON; deletes nothing without --yes",
    )


def run(args: argparse.Namespace) -> int:
    """List products by kind with sizes and costs, ask, and delete them.

    Raises
    ------
    UserError
        As `platecli.deletion.question.with_projects`; or if a kind is unknown.
    """
    return with_projects(args, lambda plans: _cleaned(plans, args))


def _cleaned(plans: Iterable[ProjectPlan], args: argparse.Namespace) -> int:
    """List and delete; return the exit status."""
    looked_at = [remakable(plan, args.all) for plan in plans]
    _check_kinds(args.only, looked_at)
    chosen = [one.only(args.only) for one in looked_at] if args.only else looked_at
    chosen = [one.keeping_sources() for one in keep_linked(chosen)]
    cores = read_machine(MACHINE).cores or all_cores()
    costs = [Costs(one, cores) for one in chosen]
    wanted = [file for one in chosen for file in one.files]
    if args.json:
        done, status = deleted(wanted) if args.yes else ([], 0)
        facts = [as_json(one, {file.path for file in done}) for one in costs]
        print(json.dumps(facts, indent=1))
        return status
    for one in costs:
        print("\n".join(text(one)), flush=True)
    return delete_if_wanted(wanted, args.yes)


def _check_kinds(words: Sequence[str], found: Sequence[Remakable]) -> None:
    """Refuse a kind that neither is a rule nor has files in one of the projects."""
    kinds = [kind for one in found for kind in one.kinds]
    kinds += [Kind(rule, "", ()) for rule in rule_texts()]
    for word in words:
        if not any(kind.is_named([word]) for kind in kinds):
            here = ", ".join(sorted({kind.rule for one in found for kind in one.kinds})) or "none"
            msg = f"--only {word}: no rule or folder of products is called this; there are: {here}"
            raise WrongCommand(msg)


class Costs:
    """What it costs to make products again.

    Parameters
    ----------
    found : Remakable
        The products.
    cores : int
        Processors of a run.
    """

    def __init__(self, found: Remakable, cores: int) -> None:
        self.found = found
        self._cores = cores
        self._runs = NextRuns(found.plan, found.products) if found.kinds else None

    def time(self, products: Sequence[Product]) -> MakingTime:
        """Return how long it takes to make some products."""
        return making_time(self.found.plan, self.found.products, products, self._cores)

    def own(self, files: Iterable[Candidate]) -> MakingTime:
        """Return how long it takes to make files again."""
        return self.time([self.found.products[one.path] for one in files])

    def nothing_new(self, files: Iterable[Candidate]) -> list[Product]:
        """Return what a run with nothing new makes if the files are deleted."""
        return self._runs.nothing_new([one.path for one in files]) if self._runs else []

    def another_night(self, files: Iterable[Candidate]) -> list[Product]:
        """Return what a run with another night makes in addition if the files are deleted."""
        return self._runs.another_night([one.path for one in files]) if self._runs else []


def text(costs: Costs) -> Iterable[str]:
    """Return the lines about a project: kinds, costs, and files that stay.

    Parameters
    ----------
    costs : Costs
    """
    found = costs.found
    project, files = found.plan.loaded.name, found.files
    if files:
        yield f"{project}: {counted(files)} that a run can make again:"
        yield from _table(costs)
        yield f"  {_in_all(costs, files)}"
    else:
        yield f"{project}: no products to delete"
    yield from _kept_lines(found.kept)
    if found.others:
        size = size_text(sum(os.path.getsize(path) for path in found.others))
        yield f"  results, which stay: {_files(len(found.others))} ({size}); --all deletes them too"
    yield from _leftover_lines(found)


def _table(costs: Costs) -> Iterable[str]:
    """Return a line for each kind, below the names of the columns."""
    rows = [("size", "files", "folder", "step", "time", "made again by the next run")]
    for kind in costs.found.kinds:
        rows.append(
            (
                size_text(kind.size_bytes),
                str(len(kind.files)),
                f"{kind.folder}/" if kind.folder else ".",
                plain(kind.rule),
                _short(costs.own(kind.files)),
                _next_run(costs, kind.files),
            )
        )
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for size, number, folder, step, time, after in rows:
        yield (
            f"  {size:>{widths[0]}}  {number:>{widths[1]}}  {folder:<{widths[2]}}  "
            f"{step:<{widths[3]}}  {time:>{widths[4]}}  {after}"
        )


def _next_run(costs: Costs, files: Sequence[Candidate]) -> str:
    """Return what later runs make again if these files alone are deleted."""
    if again := costs.nothing_new(files):
        return f"{_files(len(again))}, {_short(costs.time(again))}"
    if again := costs.another_night(files):
        return f"with a new night {_files(len(again))}, {_short(costs.time(again))}"
    return "none"


def _in_all(costs: Costs, files: Sequence[Candidate]) -> str:
    """Return the cost of deleting all of the files."""
    own = f"all of it takes {_long(costs.own(files))} to make"
    if again := costs.nothing_new(files):
        return f"{own}; the next run makes {_files(len(again))} again: {_long(costs.time(again))}"
    if again := costs.another_night(files):
        time = _long(costs.time(again))
        return (
            f"{own}; a run with nothing new makes none of it again, a run with a new night in each "
            f"channel {_files(len(again))}: {time} more"
        )
    return f"{own}; the next run makes none of it only because it was deleted"


def _short(time: MakingTime) -> str:
    """Return an estimate for a table."""
    return "unknown" if time.untimed else rounded(time.seconds)


def _long(time: MakingTime) -> str:
    """Return an estimate, and the steps that it leaves out."""
    if math.isnan(time.seconds):
        return "an unknown time, since no run timed such jobs,"
    told = f"about {rounded(time.seconds)}"
    steps = ", ".join(map(plain, time.untimed))
    return f"{told} (without {steps}, which no run timed)" if steps else told


def _kept_lines(kept: Sequence[Candidate]) -> Iterable[str]:
    for why in dict.fromkeys(one.kept for one in kept):
        files = [one for one in kept if one.kept == why]
        for one in files[:SHOWN]:
            yield f"  kept: {escape(one.path)}: {why}"
        if files[SHOWN:]:
            yield f"  kept: {counted(files[SHOWN:], 'more')}: {why}"


def _leftover_lines(found: Remakable) -> Iterable[str]:
    """Return a line about products of earlier plans, which are for `tidy`."""
    root = found.plan.results
    paths = [path for path in products_in(Path(root)) if os.fspath(path) not in found.products]
    if paths:
        size = size_text(sum(path.stat().st_size for path in paths))
        yield f"  products of an earlier plan: {_files(len(paths))} ({size}); `tidy` deletes them"


def _files(number: int) -> str:
    return f"{number} file{'' if number == 1 else 's'}"


def as_json(costs: Costs, done: set[str]) -> dict[str, Any]:
    """Return the list of a project as plain values for a program.

    Parameters
    ----------
    costs : Costs
    done : set of str
        Paths of the files that were deleted.
    """
    found = costs.found
    kinds = [
        {"rule": kind.rule, "folder": kind.folder, **_facts(costs, kind.files)}
        for kind in found.kinds
    ]
    return {
        "project": found.plan.loaded.name,
        "kinds": kinds,
        "total": _facts(costs, found.files),
        "kept": [{"file": one.path, "why": one.kept} for one in found.kept],
        "results": list(found.others),
        "deleted": sorted(done),
    }


def _facts(costs: Costs, files: Sequence[Candidate]) -> dict[str, Any]:
    """Return files, size, and seconds; null where a job was never timed."""
    lists = {
        "seconds": [costs.found.products[one.path] for one in files],
        "next_run_s": costs.nothing_new(files),
        "next_night_s": costs.another_night(files),
    }
    times = {key: costs.time(products) for key, products in lists.items()}
    return {
        "files": [one.path for one in files],
        "size_bytes": sum(one.size_bytes for one in files),
        **{key: None if time.untimed else round(time.seconds, 1) for key, time in times.items()},
    }
