"""The plans of single jobs, as the Snakefile needs them on another machine."""

from collections.abc import Callable, Sequence
from typing import Any

from platefiles.core.errors import UserError
from platefiles.rule_inputs.declarations import Declarations
from platefiles.rule_inputs.declared import Declared, Newer
from platefiles.rule_inputs.project_wildcards import any_of
from platefiles.runs.job_plan import JobPlan, memory_key


class PlansOfJobs(Declarations):
    """The functions that rules use, answered from the plans of single jobs.

    Parameters
    ----------
    jobs : sequence of JobPlan

    Attributes
    ----------
    memory : MemoryOfJobs
        For the rules whose memory depends on the frames.
    unpinned, shared : tuple
        Empty: those who choose a grid or share masters open the whole plans.
    """

    unpinned = ()
    shared = ()

    def __init__(self, jobs: Sequence[JobPlan]):
        super().__init__(self)
        self._jobs = tuple(jobs)
        self.memory = MemoryOfJobs(self._found)
        self.names = self._values("project")
        self.channels = self._values("channel")
        self.nights = self._values("night")
        self.pictures = self._values("picture")

    def write_digests(self) -> None:
        """Write nothing; the main process writes the sheets of digests."""

    def answer(self, declared: Declared, wildcards: Any) -> Any:
        """Return what a declaration is for a job."""
        return [] if isinstance(declared, Newer) else self._found(declared.key, wildcards)

    def _found(self, key: str, wildcards: Any) -> Any:
        wanted = dict(wildcards.items())
        for job in self._jobs:
            if dict(job.wildcards) == wanted and key in job.answers:
                return job.answers[key]
        places = ", ".join(job.path for job in self._jobs)
        msg = f"{places}: is of another version of the rules ({key}); run the project again"
        raise UserError(msg)

    def _values(self, name: str) -> str:
        """Regular expression of the values of a wildcard."""
        return any_of(job.wildcards[name] for job in self._jobs if name in job.wildcards)


class MemoryOfJobs:
    """Memory of single jobs, by the names of the methods of `platefiles.runs.memory.Memory`."""

    def __init__(self, found: Callable[[str, Any], Any]):
        self._found = found

    def __getattr__(self, name: str) -> Callable[..., int]:
        """Return a resource function of a rule."""

        def memory(wildcards: Any, threads: int) -> int:
            by_threads = self._found(memory_key(name), wildcards)
            return by_threads[min(threads, len(by_threads)) - 1]

        return memory
