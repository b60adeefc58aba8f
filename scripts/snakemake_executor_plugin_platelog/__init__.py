"""Executor for Snakemake: run each job of a step as a fork of one process that has loaded steps.

It keeps to Snakemake's published interface for executor plugins but for the names of inputs, which
the interface does not show: see `platecli.execution.snakemake_names`.
"""

import contextlib
import json
import os
import shlex
import subprocess
import sys
import tempfile
import threading
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from snakemake_interface_executor_plugins.executors.base import SubmittedJobInfo
from snakemake_interface_executor_plugins.executors.real import RealExecutor
from snakemake_interface_executor_plugins.jobs import JobExecutorInterface
from snakemake_interface_executor_plugins.settings import CommonSettings, ExecMode

from platecli.execution.job_meter import measured
from platecli.execution.killed import tell_in_logs
from platecli.execution.snakemake_names import MissingName, named_inputs
from platecli.execution.step_server import ServerEnded, StepServer
from platefiles.jobs.binding import SCRIPTS, Call
from platefiles.rule_files.rule_text import rule_texts
from platelog import STOP_SIGNALS
from snakemake_logger_plugin_platelog.progress import INTERRUPTED

common_settings = CommonSettings(
    non_local_exec=False,
    implies_no_shared_fs=False,
    job_deploy_sources=False,
    pass_envvar_declarations_to_cmd=True,
    auto_deploy_default_storage_provider=False,
)
"""As those of Snakemake's own executor for this machine."""

HEARD_WITHIN_S = 2.0
"""Time within which a run knows that it is interrupted, once its jobs are ended for that."""

SERVER: StepServer | None = None
"""Set by who starts Snakemake and ends the server itself; else the executor has one of its own."""

_SPARE_THREADS = 5
"""For jobs that take no processor."""


class Executor(RealExecutor):
    """Run the jobs of steps as forks, and those of other rules by Snakemake's command."""

    def __post_init__(self) -> None:
        """Make room for scripts, and threads that wait for jobs."""
        self._server = SERVER or StepServer()
        self._scripts = tempfile.TemporaryDirectory(prefix="platelog-")
        self._pool = ThreadPoolExecutor((self.cores or 1) + _SPARE_THREADS)
        self._said, self._saying = set[str](), threading.Lock()

    def run_job(self, job: JobExecutorInterface) -> None:
        """Start a job; a thread waits for its end."""
        info = SubmittedJobInfo(job=job)
        self.report_job_submission(info)
        if not list(job.output):  # a target, which gathers the files of others
            self.report_job_success(info)
            return
        self._pool.submit(self._run, info)

    def _run(self, info: SubmittedJobInfo) -> None:
        """Run a job to its end, and tell the scheduler."""
        try:
            why = self._ended(info.job)
        except ServerEnded:
            why = "the run was stopped"
        except OSError as problem:
            where = f"{problem.filename}: " if problem.filename else ""
            why = f"{where}{problem.strerror or problem}"
        except Exception as problem:  # or nobody would ever hear of the job again
            why = f"{type(problem).__name__}: {problem}"
        if why:
            self.report_job_error(info, msg=why)
        else:
            self.report_job_success(info)

    def _ended(self, job: Any) -> str:
        """Run a job; return the reason of its failure, or nothing."""
        script = "" if job.is_group() else script_of(job.name)
        try:
            call = call_of(job, script) if script else None
        except MissingName as name:
            self._say_once(
                f"Snakemake has no {name}; its command runs each job, which takes longer"
            )
            call = None
        if call is None:
            status = subprocess.run(self.format_job_exec(job), shell=True, check=False).returncode
        else:
            _prepare(job)
            status = self._call_ended(job, call)
        if -status in STOP_SIGNALS:
            # Who ends all processes of a run may have begun with its jobs.
            INTERRUPTED.wait(HEARD_WITHIN_S)
        return f"{job.name} ended with status {status}" if status else ""

    def _say_once(self, text: str) -> None:
        with self._saying:
            if text not in self._said:
                self._said.add(text)
                self.logger.error(text)

    def _call_ended(self, job: Any, call: Call) -> int:
        """Call a step for a job; return its exit status."""
        script = call.written(Path(self._scripts.name, f"{job.jobid}.py"))
        try:
            process = self._server.start(script, call.step, job.resources.get("tmpdir"))
        except OSError:
            words = [sys.executable, "-P", script]
            with subprocess.Popen(words) as alone, measured(alone.pid, job.benchmark):
                return alone.wait()
        with process, measured(process.pid, job.benchmark):
            status = process.wait()
        if status < 0:
            tell_in_logs(map(str, job.log), -status, process.for_memory)
        return status

    def shutdown(self) -> None:
        """Wait for the ended jobs and clean up."""
        self._pool.shutdown()
        if self._server is not SERVER:
            self._server.end()
        with contextlib.suppress(OSError):
            self._scripts.cleanup()

    def cancel(self) -> None:
        """End the jobs."""
        self._server.end()
        self.shutdown()

    @property
    def cores(self) -> int:
        """Processors of the run."""
        return int(self.workflow.resource_settings.cores or 1)

    def get_exec_mode(self) -> ExecMode:
        """Return the mode in which other rules' jobs are parts of this run."""
        return ExecMode.SUBPROCESS

    def get_python_executable(self) -> str:
        """Return the interpreter of this process."""
        return sys.executable

    def get_job_exec_prefix(self, job: JobExecutorInterface) -> str:
        """Begin in the folder in which the run was started."""
        return f"cd {shlex.quote(self.workflow.workdir_init)}"

    def additional_general_args(self) -> str:
        """Return the options that silence messages that this run prints itself."""
        return "--quiet progress rules host"


def script_of(rule: str) -> str:
    """Return the path of a rule's script; empty if it has none.

    Parameters
    ----------
    rule
        Name of the rule.
    """
    text = rule_texts().get(rule)
    return str(SCRIPTS / f"{text.step}.py") if text and text.step else ""


def call_of(job: Any, script: str) -> Call:
    """Return the arguments of a step for a job.

    Parameters
    ----------
    job
        As the interface has it.
    script
        Path of the step.

    Raises
    ------
    MissingName
        If this version of Snakemake does not tell the names of inputs.
    """
    params: Mapping[str, Any] = json.loads(job.properties())["params"]
    return Call(
        script,
        {name: _plain(paths) for name, paths in named_inputs(job).items()},
        [str(path) for path in job.output],
        params["job"],
        str(list(job.log)[0]),
        int(job.threads),
        float(job.resources["mem_mb"]),
    )


def _plain(paths: Any) -> str | list[str]:
    return str(paths) if isinstance(paths, str) else [str(path) for path in paths]


def _prepare(job: Any) -> None:
    """Make the output folders of a job, and remove its old outputs."""
    made = [str(path) for path in job.output]
    told = [str(path) for path in (*job.log, *filter(None, [job.benchmark]))]
    for path in (*made, *told):
        os.makedirs(os.path.dirname(path) or ".", exist_ok=True)
    temporary = job.resources.get("tmpdir")
    if temporary:
        os.makedirs(temporary, exist_ok=True)
    for path in made:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(path)
