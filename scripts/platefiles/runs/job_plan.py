"""The plan of a single job: what the declarations of its rule are for it.

The main process writes it beside the list of frames. A job on another machine reads its own file, a
few kilobytes, and neither the list nor the plan of the whole project.
"""

import json
import os
from collections.abc import Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from platefiles.core.atomic_write import write_whole
from platefiles.core.hashing import canonical
from platefiles.jobs.run_lock import RESULTS

FOLDER = ".plans"
"""Hidden folder in the results of a project: a file for each job of the last run."""

_TARGETS = "--target-jobs"
"""Option by which Snakemake names the job that a process has to do."""


@dataclass(frozen=True)
class JobPlan:
    """What declarations are for a job.

    Attributes
    ----------
    rule : str
    wildcards : mapping of str to str
        With the project.
    answers : mapping of str to any
        Paths of inputs, the job and its memory, by the name of the declaration.
    """

    rule: str
    wildcards: Mapping[str, str]
    answers: Mapping[str, Any]

    @property
    def path(self) -> str:
        """Path of its file, relative to the working directory."""
        others = [self.wildcards[name] for name in sorted(self.wildcards) if name != "project"]
        name = f"{','.join(others) or self.rule}.json"
        return f"{RESULTS}/{self.wildcards['project']}/{FOLDER}/{self.rule}/{name}"

    def write(self) -> None:
        """Write its file."""
        facts = {"rule": self.rule, "wildcards": dict(self.wildcards), "answers": self.answers}
        text = canonical(facts).encode()
        write_whole(self.path, lambda target: target.write(text), lasting=False)


def memory_key(method: str) -> str:
    """Return the name of an answer: the memory of a job in MB, a value for each count of threads.

    Parameters
    ----------
    method : str
        Name of the method of `platefiles.runs.memory.Memory`.
    """
    return f"memory {method}"


def read_job_plan(rule: str, wildcards: Mapping[str, str]) -> JobPlan | None:
    """Return the plan of a job; None without a readable file.

    Parameters
    ----------
    rule : str
    wildcards : mapping of str to str
    """
    if "project" not in wildcards:
        return None
    with suppress(OSError, ValueError, TypeError):
        text = Path(JobPlan(rule, wildcards, {}).path).read_text(encoding="ascii")
        found = JobPlan(**json.loads(text))
        if (found.rule, dict(found.wildcards)) == (rule, dict(wildcards)):
            return found
    return None


def plans_of_targets(arguments: Sequence[str]) -> list[JobPlan]:
    """Return the plans of the jobs that a process of Snakemake has to do.

    Parameters
    ----------
    arguments : sequence of str
        Snakemake's command line.

    Returns
    -------
    list of JobPlan
        None at all if one of them has no file, as jobs that only Snakemake knew of.
    """
    found = [read_job_plan(*target) for target in _targets(arguments)]
    return [one for one in found if one is not None] if all(found) else []


def remove_others(project: str, kept: Collection[str]) -> None:
    """Remove the files of earlier runs of a project.

    Parameters
    ----------
    project : str
    kept : collection of str
        Paths of files that stay.
    """
    for place, _, names in os.walk(f"{RESULTS}/{project}/{FOLDER}"):
        for path in (f"{place}/{name}" for name in names):
            if path not in kept:
                with suppress(OSError):
                    os.unlink(path)


def _targets(arguments: Sequence[str]) -> Iterable[tuple[str, dict[str, str]]]:
    """Yield rule and wildcards of each job that Snakemake's command line names."""
    words = list(arguments)
    if _TARGETS not in words:
        return
    for word in words[words.index(_TARGETS) + 1 :]:
        if word.startswith("-"):
            return
        rule, _, values = word.partition(":")
        pairs = (pair.partition("=") for pair in values.split(",") if pair)
        yield rule, {name: value for name, _, value in pairs}
