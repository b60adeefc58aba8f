"""How far a run goes: a target rule by its name, or one file that a rule makes."""

import difflib
from collections.abc import Iterable

from platecli.arguments.naming import WrongCommand
from platefiles.workflow.graph import products_of
from platefiles.workflow.jobs import ProjectPlan
from platefiles.workflow.makeable import can_make
from platelog import nearest

TARGETS = ("channels", "picture", "field", "all")
_SHOWN = 6


def check_target(target: str) -> None:
    """Refuse a target that is neither a known rule nor a file.

    Raises
    ------
    WrongCommand
        With the nearest target that exists.
    """
    if target in TARGETS or target.startswith("results/"):
        return
    hint = nearest(target, list(TARGETS))
    msg = f"--to {target}: there is no such target{hint} Targets: {', '.join(TARGETS)}."
    raise WrongCommand(msg)


def check_file(target: str, plans: Iterable[ProjectPlan]) -> None:
    """Refuse a file that no rule makes for any of the projects.

    Parameters
    ----------
    target : str
        As for the verb `run`; a target rule is always right.
    plans : iterable of ProjectPlan
        Without any, nothing is known and nothing is refused.

    Raises
    ------
    WrongCommand
        With the file of the projects whose path is nearest.
    """
    opened = list(plans)
    if target in TARGETS or not opened or any(can_make(plan, target) for plan in opened):
        return
    known = [path for plan in opened for path in products_of(plan) if path.startswith("results/")]
    close = difflib.get_close_matches(target, known, 1)
    hint = f" - did you mean '{close[0]}'?" if close else f"; it may be one such as {known[-1]}"
    names = ", ".join(sorted(plan.loaded.name for plan in opened)[:_SHOWN])
    msg = f"--to {target}: no rule makes this file for {names}{hint}"
    raise WrongCommand(msg)
