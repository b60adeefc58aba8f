"""The values of a project for the wildcards of rules, and paths with these values."""

import re
from collections.abc import Callable, Collection, Iterable, Mapping
from types import SimpleNamespace
from typing import Any

from platefiles.core.errors import UserError
from platefiles.plan.paths import LOCK_ENDING
from platefiles.plan.project_plan import ProjectPlan


class Wildcards(SimpleNamespace):
    """Wildcards of a job by name, as Snakemake gives them."""

    def items(self) -> Iterable[tuple[str, str]]:
        """Return names and values."""
        return vars(self).items()


def any_of(names: Iterable[str]) -> str:
    """Return a regular expression of names; without any, one that nothing matches."""
    return "|".join(sorted({re.escape(name) for name in names})) or "(?!)"


def plan_of(plans: Mapping[str, ProjectPlan], wildcards: Any) -> ProjectPlan:
    """Return the plan that a job's wildcards name, by its project or by its lock file.

    Raises
    ------
    UserError
        If the project does not have the channel or the sub that they name: another project may.
    """
    lock = getattr(wildcards, "lock", None)
    if lock is not None:
        return next(plan for plan in plans.values() if lock_stem(plan) == lock)
    plan = plans[wildcards.project]
    check_wildcards(plan, wildcards)
    return plan


def check_wildcards(plan: ProjectPlan, wildcards: Any) -> None:
    """Refuse a channel, night, sub, master or picture that a project does not have.

    Raises
    ------
    UserError
    """
    named = dict(wildcards.items())
    name, channel, sub = plan.loaded.name, named.get("channel"), named.get("sub")
    if channel is not None and channel not in plan.channels:
        known = ", ".join(plan.channels)
        msg = f"project {name} has no channel '{channel}'; it has {known}"
        raise UserError(msg)
    own = None if sub is None or sub not in plan.by_id else plan.by_id[sub].channel
    if sub is not None and (own is None or channel not in (None, own)):
        msg = (
            f"channel '{channel}' of project {name} has no sub '{sub}'; "
            f"{plan.results}/frames.tsv lists them by id"
        )
        raise UserError(msg)
    for kind, known_names in _known(plan, named).items():
        if named[kind] not in known_names:
            of = f"channel '{channel}' of project {name}" if kind == "night" else f"project {name}"
            msg = f"{of} has no {kind} '{named[kind]}'; it has {', '.join(known_names) or 'none'}"
            raise UserError(msg)


def _known(plan: ProjectPlan, named: Mapping[str, str]) -> dict[str, Collection[str]]:
    """Names that a project has, of the kinds that some wildcards name."""
    known: dict[str, Callable[[], Collection[str]]] = {
        "master": lambda: plan.masters,
        "night": lambda: plan.nights(named["channel"]),
        "picture": lambda: plan.loaded.pictures,
        "image": lambda: plan.paths.overlay_files,
    }
    return {kind: names() for kind, names in known.items() if kind in named}


def filled(pattern: str, plan: ProjectPlan, wildcards: Any, **others: str) -> str:
    """Return a path with its wildcards filled in, some of them by other values."""
    return pattern.format(**{"project": plan.loaded.name, **dict(wildcards.items()), **others})


def lock_stem(plan: ProjectPlan) -> str:
    """Path of a lock file without its ending."""
    return plan.paths.lock.removesuffix(LOCK_ENDING)
