"""Run tasks in the order of their dependencies, in parallel where possible."""

import contextlib
import math
import os
import subprocess
import sys
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from pathlib import Path
from typing import NamedTuple

from platecli.execution.killed import tell_in_logs
from platecli.execution.step_server import StepServer
from platefiles.audit.run_step import Task
from platefiles.core.errors import UserError
from platefiles.rule_files.rule_text import rules_by_step
from snakemake_logger_plugin_platelog.reasons import reason_in_logs


def processors() -> int:
    """Return the number of processors available to this process."""
    if hasattr(os, "sched_getaffinity"):  # not on macOS
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def run_tasks(
    tasks: Mapping[str, Task],
    needs: Mapping[str, Collection[str]],
    cores: int,
    folder: Path,
    tell: Callable[[str], None] = lambda name: None,
    memory_mb: float = math.inf,
) -> None:
    """Run every task once, with the threads and the memory of its rule.

    Parameters
    ----------
    tasks : mapping of str to Task
        By name.
    needs : mapping of str to collection of str
        Names of prerequisite tasks, by task.
    cores : int
        Total number of threads.
    folder : Path
        Folder for scripts and temporary files; made if needed.
    tell : callable
        Called with the name of each task that is done.
    memory_mb : float
        Total memory of the running tasks, MB.

    Raises
    ------
    UserError
        With the reason of the first failed step; running tasks are ended.
    """
    waiting, done = dict(tasks), set[str]()
    free = _Free(cores, memory_mb)
    running: dict[Future[None], tuple[str, _Free]] = {}
    folder.mkdir(parents=True, exist_ok=True)
    steps = [task.step for task in tasks.values()]
    with ThreadPoolExecutor(cores) as pool, _starter(folder, steps) as start:
        while waiting or running:
            for name, task in list(waiting.items()):
                if not free.threads or not done.issuperset(needs[name]):
                    continue
                threads = min(rules_by_step()[task.step].threads, cores)
                wants = _Free(threads, min(task.memory_mb(threads), memory_mb))
                if wants.threads <= free.threads and wants.memory_mb <= free.memory_mb:
                    path = folder / f"{len(tasks) - len(waiting)}.py"
                    script = task.call(threads, wants.memory_mb).written(path)
                    running[pool.submit(_run, start, task, script)] = (name, wants)
                    del waiting[name]
                    free = _Free(free.threads - threads, free.memory_mb - wants.memory_mb)
            if not running:
                msg = f"the record is damaged: {', '.join(waiting)} would be made from each other"
                raise UserError(msg)
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                name, had = running.pop(future)
                future.result()
                free = _Free(free.threads + had.threads, free.memory_mb + had.memory_mb)
                done.add(name)
                tell(name)


class _Free(NamedTuple):
    """Free or requested threads and memory."""

    threads: int
    memory_mb: float


def _run(start: Callable[[str, str, str], int], task: Task, script: str) -> None:
    status = start(script, task.step, task.log)
    if status or not os.path.exists(task.output):
        reason = reason_in_logs([task.log]) or f"it ended with status {status}; see {task.log}"
        msg = f"{task.step} could not be run again for {Path(task.output).name}: {reason}"
        raise UserError(msg)


@contextlib.contextmanager
def _starter(folder: Path, steps: Iterable[str]) -> Iterator[Callable[[str, str, str], int]]:
    """Return a function that runs a script of a step, by forking if forks are safe."""
    if sys.platform != "linux":
        yield lambda script, step, log: _by_itself(script)
        return
    with StepServer() as server:
        server.expect(steps)

        def start(script: str, step: str, log: str) -> int:
            try:
                job = server.start(script, step, str(folder))
            except OSError:
                return _by_itself(script)
            with job:
                status = job.wait()
            if status < 0:
                tell_in_logs([log], -status, job.for_memory)
            return status

        yield start


def _by_itself(script: str) -> int:
    return subprocess.run([sys.executable, "-P", script], check=False).returncode
