"""Running a step as its rule does, without Snakemake.

A step's binding takes everything from an object called ``snakemake``. Here one is made of a task,
which names the files of the rule's inputs and output, the job and the log. The step in between is
the same code, so what it makes is the same file.
"""

import json
import math
import os
import runpy
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from platefiles.core.errors import UserError
from platefiles.core.safe_names import escape
from platefiles.rule_files.rule_text import rules_by_step
from platefiles.workflow.makers import is_single

_SCRIPTS = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Task:
    """A step to be run.

    Attributes
    ----------
    step : str
        One that a rule runs.
    output : str
        Path of the product.
    inputs : dict of str to list of str
        Paths by the name that the rule gives them.
    job : str
        The rule's parameter, canonical JSON.
    log : str
        Path of the log.
    """

    step: str
    output: str
    inputs: dict[str, list[str]]
    job: str
    log: str

    def __post_init__(self) -> None:
        if self.step not in rules_by_step():
            known = ", ".join(rules_by_step())
            msg = f"'{escape(self.step)}' is no step of this version; known are {known}"
            raise UserError(msg)

    def written(self, path: str | Path, threads: int) -> str:
        """Write a script that runs the task; return its path.

        Parameters
        ----------
        path : path-like
            Ends with ``.py``.
        threads : int
            Threads that the step may use.
        """
        text = json.dumps(asdict(self) | {"threads": threads})
        script = f"from platefiles.audit.run_step import run_task\n\nrun_task({text!r})\n"
        Path(path).parent.mkdir(parents=True, exist_ok=True)
        Path(path).write_text(script, encoding="utf-8")
        return os.fspath(path)


class _Inputs:
    """Inputs by name; a name that was not given is an empty list, as in a rule."""

    def __init__(self, step: str, inputs: Mapping[str, list[str]]):
        self._step, self._inputs = step, dict(inputs)

    def __getattr__(self, name: str) -> str | list[str]:
        paths = self._inputs.get(name, [])
        return paths[0] if paths and is_single(self._step, name) else paths


def run_task(text: str) -> None:
    """Run the binding of a task's step in this process.

    Parameters
    ----------
    text : str
        The task and its ``threads`` as JSON.
    """
    facts: dict[str, Any] = json.loads(text)
    threads = facts.pop("threads")
    task = Task(**facts)
    stand_in = SimpleNamespace(
        input=_Inputs(task.step, task.inputs),
        output=[task.output],
        params=SimpleNamespace(job=task.job),
        log=[task.log],
        threads=threads,
        resources=SimpleNamespace(mem_mb=math.inf),
    )
    script = str(_SCRIPTS / f"{task.step}.py")
    runpy.run_path(script, init_globals={"snakemake": stand_in}, run_name="__main__")
