"""Jobs: the input of a step beside its files, decided before a run.

A *job* is a plain dictionary that holds everything a step needs beside its files: the settings it
uses and no others, the subs it works on, the digest of its code, and one of the jobs whose products
it reads. It travels as one canonical JSON text, so Snakemake runs a rule again exactly when its job
changed. The digest of the jobs below is there because a product that a failed job has left missing
would not be made again otherwise, as long as what was once made from it is there.
"""

from collections.abc import Callable, Iterable
from functools import wraps
from typing import Any, Concatenate, ParamSpec

from platefiles.core.hashing import canonical, digest
from platefiles.plan.project_plan import ProjectPlan
from platefiles.provenance.code_digests import code_digest
from platefiles.settings.model import Settings

_Names = ParamSpec("_Names")
_Job = Callable[Concatenate[ProjectPlan, _Names], str]


def remembered(function: _Job[_Names]) -> _Job[_Names]:
    """Cache the jobs of a plan, until the grid is chosen."""

    @wraps(function)
    def job(plan: ProjectPlan, *names: _Names.args, **keys: _Names.kwargs) -> str:
        key = (function.__name__, *names, *sorted(keys.items()), plan.lock_state())
        if key not in plan.known_jobs:
            plan.known_jobs[key] = function(plan, *names, **keys)
        return plan.known_jobs[key]

    return job


def part(group: Settings, wanted: type[Settings]) -> dict[str, Any]:
    """Return the settings of a group that a step uses, by the model of this part."""
    return group.model_dump(include=set(wanted.model_fields))


def job_text(
    plan: ProjectPlan, step: str, settings: dict[str, Any], below: Iterable[str] = (), **more: Any
) -> str:
    """Return a job as canonical JSON.

    Parameters
    ----------
    plan : ProjectPlan
    step : str
        Name of the script without extension; its code is part of the job.
    settings : dict
        Settings of the recipe that the step uses, by group.
    below : iterable of str
        Jobs of the products that the step reads.
    **more
        Further keys of the job.
    """
    return canonical(
        {
            "project": plan.loaded.name,
            "settings": settings,
            "code": code_digest(f"{step}.py"),
            "below": digest(canonical(list(below))),
            **more,
        }
    )
