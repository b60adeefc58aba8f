"""Let Snakemake run the scripts of its rules as forks of a step server."""

import contextlib
import os
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from platecli.execution.killed import tell_in_logs
from platecli.execution.step_server import StepServer
from platelog import STOP_SIGNALS
from snakemake_logger_plugin_platelog.progress import INTERRUPTED

HEARD_WITHIN_S = 2.0
"""Time within which a run knows that it is interrupted, once its jobs are ended for that."""

_FIRST_LOOK_S, _RARER, _LOOK_AT_LEAST_EVERY_S = 0.5, 1.5, 30.0
"""When a running job is looked at for its benchmark file."""


@contextlib.contextmanager
def used_by_snakemake(server: StepServer) -> Iterator[None]:
    """Let Snakemake, in this process, run the Python scripts of its rules by a step server.

    Parameters
    ----------
    server
        The server.
    """
    from snakemake import script

    class ForkedScript(script.PythonScript):
        """A Python script that is run by the server, unless it needs another environment."""

        def execute_script(self, fname: str, edit: bool = False) -> None:
            try:
                self._execute(fname, edit)
            except subprocess.CalledProcessError as problem:
                if -problem.returncode in STOP_SIGNALS:
                    # Who ends all processes of a run may have begun with its jobs.
                    INTERRUPTED.wait(HEARD_WITHIN_S)
                raise

        def _execute(self, fname: str, edit: bool) -> None:
            elsewhere = self.conda_env or self.container_img or self.env_modules
            if elsewhere or self.shadow_dir or not self.is_local or edit:
                super().execute_script(fname, edit)
                return
            step = Path(self.path.get_filename()).stem
            try:
                job = server.start(os.path.abspath(fname), step, self.resources.get("tmpdir"))
            except OSError:
                super().execute_script(fname, edit)
                return
            with job, _measured(job.pid, self.bench_record):
                status = job.wait()
            if status < 0:
                tell_in_logs(self.log, -status, job.for_memory)
            if status:
                raise subprocess.CalledProcessError(status, fname)

    usual, script.PythonScript = script.PythonScript, ForkedScript
    try:
        yield
    finally:
        script.PythonScript = usual


@contextlib.contextmanager
def _measured(pid: int, record: Any) -> Iterator[None]:
    """Fill Snakemake's benchmark record, with a last look at the end: most steps are short.

    A look at a process that has mapped a night of raw frames takes the system some 30 ms, so they
    become rarer from one to the next.
    """
    from snakemake.benchmark import BenchmarkTimer

    if record is None:
        yield
        return
    start = time.time()
    looks, ended = BenchmarkTimer(pid, record), threading.Event()

    def look_again() -> None:
        pause = _FIRST_LOOK_S
        while not ended.wait(pause):
            looks.work()
            pause = min(_RARER * pause, _LOOK_AT_LEAST_EVERY_S)

    looks.work()
    thread = threading.Thread(target=look_again, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()
        looks.work()
        record.running_time = time.time() - start
