"""Run a step as its rule does, from files that a record names.

A task names the files of the rule's inputs and output, the job and the log. The step gets them as
from its rule, with the threads and the memory that the rule gives it, so the product is the same
file.
"""

import os
from contextlib import suppress
from dataclasses import dataclass

from platefiles.core.errors import UserError
from platefiles.core.safe_names import escape
from platefiles.fits.header_reader import HeaderError
from platefiles.fits.products_io import read_header
from platefiles.jobs.binding import SCRIPTS, Call
from platefiles.raw_frames.raw_header import read_raw_header
from platefiles.rule_files.rule_text import rules_by_step
from platefiles.runs.memory import memory_for
from platefiles.workflow.makers import is_single


@dataclass(frozen=True)
class Task:
    """A step to run.

    Attributes
    ----------
    step : str
        Step with a rule.
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

    def call(self, threads: int, memory_mb: float) -> Call:
        """Return the arguments of the step's binding.

        Parameters
        ----------
        threads : int
            Threads that the step may use.
        memory_mb : float
            Memory that the step may use.
        """
        inputs: dict[str, str | list[str]] = {
            name: paths[0] if paths and is_single(self.step, name) else paths
            for name, paths in self.inputs.items()
        }
        script = str(SCRIPTS / f"{self.step}.py")
        return Call(script, inputs, [self.output], self.job, self.log, threads, memory_mb)

    def memory_mb(self, threads: int) -> int:
        """Return the memory request of the rule, MB.

        If the request depends on the size of the frames, it is read from the inputs, which must
        exist.

        Parameters
        ----------
        threads : int
            Threads that the step will use.
        """
        rule = rules_by_step()[self.step]
        if rule.mem_mb is not None:
            return rule.mem_mb
        raw, nights = self.inputs.get("raw", []), self.inputs.get("nights", [])
        method = "merge" if nights else rule.memory_method
        return memory_for(method, self._shape(), len(raw) + len(nights), threads)

    def _shape(self) -> tuple[int, int]:
        """Return ``(ny, nx)`` of the first readable image among the inputs."""
        for path in self.inputs.get("raw", []):
            with suppress(OSError, HeaderError), open(path, "rb") as file:
                header = read_raw_header(file, os.path.getsize(path))
                return header.height_px, header.width_px
        for path in self.inputs.get("nights", [])[:1] and self.inputs["registration"]:
            grid = read_header(path)
            return grid["GRIDNY"], grid["GRIDNX"]
        for name in ("channel", "channels", "linear_image"):
            for path in self.inputs.get(name, []):
                found = read_header(path, 1)
                return found["NAXIS2"], found["NAXIS1"]
        return 0, 0
