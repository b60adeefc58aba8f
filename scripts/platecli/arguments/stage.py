"""The targets of a run: names of stages, or files that rules make."""

import argparse
import difflib
from collections.abc import Iterable, Sequence
from typing import Any

from platecli.arguments.naming import WrongCommand
from platefiles.plan.project_plan import ProjectPlan
from platefiles.workflow.graph import can_make, products_of
from platefiles.workflow.makers import stages
from platelog import nearest

_SHOWN = 6


class Targets(argparse.Action):
    """Collect what an option is given, in place of its default."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: Any,
        option_string: str | None = None,
    ) -> None:
        """Add a value to those given before."""
        given = getattr(namespace, self.dest)
        before = [] if given is self.default else given
        setattr(namespace, self.dest, [*before, values])


def check_stage(stage: str) -> None:
    """Check that words are stages or files.

    Raises
    ------
    WrongCommand
        With the most similar stage.
    """
    if stage in stages() or stage.startswith("results/"):
        return
    hint = nearest(stage, list(stages()))
    msg = f"--to {stage}: there is no such stage{hint} Stages: {', '.join(stages())}."
    raise WrongCommand(msg)


def check_files(targets: Sequence[str], plans: Iterable[ProjectPlan]) -> None:
    """Refuse files that no rule makes for any of the projects.

    Parameters
    ----------
    targets : sequence of str
        As for the verb `run`; a stage is always valid.
    plans : iterable of ProjectPlan
        Without any project, no check is made.

    Raises
    ------
    WrongCommand
        With the most similar path among the files of the projects.
    """
    opened = list(plans)
    for target in targets:
        _check_file(target, opened)


def _check_file(stage: str, opened: Sequence[ProjectPlan]) -> None:
    if stage in stages() or not opened or any(can_make(plan, stage) for plan in opened):
        return
    known = [path for plan in opened for path in products_of(plan) if path.startswith("results/")]
    close = difflib.get_close_matches(stage, known, 1)
    hint = f" - did you mean '{close[0]}'?" if close else f"; it may be one such as {known[-1]}"
    names = ", ".join(sorted(plan.loaded.name for plan in opened)[:_SHOWN])
    msg = f"--to {stage}: no rule makes this file for {names}{hint}"
    raise WrongCommand(msg)
