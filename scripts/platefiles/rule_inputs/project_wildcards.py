"""The wildcards of rules: what projects allow for them, and which project a job's are of."""

import re
from collections.abc import Iterable, Mapping
from typing import Any

from platefiles.core.errors import UserError
from platefiles.plan.project_plan import ProjectPlan


def any_of(names: Iterable[str]) -> str:
    """Return a regular expression of names; without any, one that nothing matches."""
    return "|".join(sorted({re.escape(name) for name in names})) or "(?!)"


def plan_of(plans: Mapping[str, ProjectPlan], wildcards: Any) -> ProjectPlan:
    """Return the plan that a job's wildcards name.

    Raises
    ------
    UserError
        If the project does not have the channel or the sub that they name: another project may.
    """
    plan = plans[wildcards.project]
    channel, sub = (getattr(wildcards, name, None) for name in ("channel", "sub"))
    if channel is not None and channel not in plan.channels:
        known = ", ".join(plan.channels)
        msg = f"project {plan.loaded.name} has no channel '{channel}'; it has {known}"
        raise UserError(msg)
    own = None if sub is None or sub not in plan.by_id else plan.by_id[sub].channel
    if sub is not None and (own is None or channel not in (None, own)):
        where = f"channel '{channel}' of project {plan.loaded.name}"
        msg = f"{where} has no sub '{sub}'; {plan.results}/frames.tsv lists them by id"
        raise UserError(msg)
    return plan


def filled(pattern: str, wildcards: Any, **others: str) -> str:
    """Return a path with its wildcards filled in, some of them by other values."""
    return pattern.format(**{**dict(wildcards.items()), **others})
