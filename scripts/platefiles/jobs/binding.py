"""Run the binding of a step without Snakemake's interpreter.

A step's binding takes its files, its job, its threads and its memory from an object called
``snakemake``. A `Call` holds the same facts as plain data, so a process of the project's own can
give them to the binding: the code in between is the same, so the product is the same file.
"""

import json
import math
import os
import runpy
from dataclasses import asdict, dataclass
from pathlib import Path
from types import SimpleNamespace

SCRIPTS = Path(__file__).resolve().parents[2]
"""Where the steps are."""


@dataclass(frozen=True)
class Call:
    """The arguments of the binding of a step.

    Attributes
    ----------
    script : str
        Path of the step.
    inputs : dict of str to (str or list of str)
        Paths by the name that the rule gives them.
    outputs : list of str
        Paths of the products.
    job : str
        The rule's parameter, canonical JSON.
    log : str
        Path of the log.
    threads : int
        Threads that the step may use.
    memory_mb : float
        Memory that the step may use; infinite without a limit.
    """

    script: str
    inputs: dict[str, str | list[str]]
    outputs: list[str]
    job: str
    log: str
    threads: int = 1
    memory_mb: float = math.inf

    @property
    def step(self) -> str:
        """Name of the step."""
        return Path(self.script).stem

    def written(self, path: str | Path) -> str:
        """Write a script with the call; return its path.

        Parameters
        ----------
        path : path-like
            Ends with ``.py``.
        """
        text = json.dumps(asdict(self))
        script = f"from platefiles.jobs.binding import run_binding\n\nrun_binding({text!r})\n"
        Path(path).write_text(script, encoding="utf-8")
        return os.fspath(path)


class _Inputs:
    """Inputs by name; a missing name is an empty list, as in a rule."""

    def __init__(self, inputs: dict[str, str | list[str]]) -> None:
        self._inputs = inputs

    def __getattr__(self, name: str) -> str | list[str]:
        return self._inputs.get(name, [])


def run_binding(text: str) -> None:
    """Run the binding of a step in this process.

    Parameters
    ----------
    text : str
        A `Call` as JSON.
    """
    call = Call(**json.loads(text))
    stand_in = SimpleNamespace(
        input=_Inputs(call.inputs),
        output=call.outputs,
        params=SimpleNamespace(job=call.job),
        log=[call.log],
        threads=call.threads,
        resources=SimpleNamespace(mem_mb=call.memory_mb),
    )
    runpy.run_path(call.script, init_globals={"snakemake": stand_in}, run_name="__main__")
