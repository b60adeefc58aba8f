"""Start Snakemake in a process of its own (``python -m platecli.execution.engine``)."""

import atexit
import contextlib
import gc
import io
import logging
import os
import shlex
import shutil
import signal
import subprocess
import sys
import traceback
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from platecli.execution import stopping
from platecli.execution.interrupts import Ears
from platecli.execution.killed import why_ended
from platecli.execution.step_server import StepServer
from platecli.text.screen import guarded
from platelog import STOPPED
from snakemake_logger_plugin_platelog import progress
from snakemake_logger_plugin_platelog.progress import INTERRUPTED
from snakemake_logger_plugin_platelog.time_left import Workload

ROOT = Path(__file__).resolve().parents[3]
MIB = 1024**2
_COLLECT_AFTER = 100_000
"""Objects made before Python looks for cycles; building a graph makes many and throws away few."""


def command(
    projects: Sequence[str],
    targets: Sequence[str],
    directory: Path,
    cores: int | None = None,
    dry_run: bool = False,
    extra: Sequence[str] = (),
    memory_gb: float | None = None,
) -> list[str]:
    """Return the command that makes the targets for the projects.

    Parameters
    ----------
    projects
        Names of projects in ``config/projects``, or paths of project files.
    targets
        Target rules, or files below ``results``.
    directory
        Working directory, in which ``results`` lies.
    cores
        Number of processors; None leaves it to the profile, which takes all.
    dry_run
        Only list the jobs.
    extra
        Further options of Snakemake; they override those given here.
    memory_gb
        Memory that all jobs may take together; None for three quarters of the machine's.
    """
    words = [sys.executable, "-P", "-m", "platecli.execution.engine"]
    words += ["--snakefile", str(ROOT / "Snakefile"), "--directory", str(directory)]
    words += ["--workflow-profile", str(ROOT / "config" / "profile"), "--logger", "platelog"]
    words += ["--resources", f"mem_mb={memory_limit_mb(memory_gb)}"]
    words += ["--cores", str(cores)] if cores else []
    words += ["--dry-run"] if dry_run else []
    settings = ["--config", f"projects=[{','.join(map(_quoted, projects))}]"]
    return [*words, *extra, *settings, "--", *targets]


def memory_limit_mb(memory_gb: float | None = None) -> int:
    """Return the memory that all jobs may take together, MB.

    Parameters
    ----------
    memory_gb
        What the user allows; None for three quarters of the machine's.
    """
    if memory_gb is not None:
        return round(memory_gb * 1000)
    return max(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // MIB * 3 // 4, 2000)


def _quoted(text: str) -> str:
    """Return a text as YAML for Snakemake, safe from interpretation by a shell or as a list."""
    safe = (c if c.isalnum() or c in "/._- " else f"\\U{ord(c):08x}" for c in text)
    return f'"{"".join(safe)}"'


def all_cores() -> int:
    """Return the number of processors that Snakemake uses for ``all``."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def run(words: Sequence[str], steps: Sequence[str] = (), work: Workload | None = None) -> int:
    """Run a command and return its exit status; Ctrl-C and termination end it and its jobs.

    The command leads a separate process group. In the same group, the terminal would interrupt each
    job, with a traceback from each; so only the command is interrupted, and ends its jobs. A second
    signal ends all of them.

    Parameters
    ----------
    words
        The command, as from `command`.
    steps
        Steps known to have jobs, in order; their modules are imported immediately.
    work
        Expected costs of the jobs, for the progress lines; used only in a fork.
    """
    progress.EXPECTED = work
    signals = stopping.heeded()
    with stopping.held_back():
        process = _start(list(words), steps)
        stop = stopping.Stop(process)
        before = [signal.signal(number, stop) for number in signals]
    try:
        code = stopping.ended(process)
    finally:
        for number, handler in zip(signals, before, strict=True):
            signal.signal(number, handler)
    if stop.count:
        stopping.ignore_signals()
        print(stopping.GOES_ON, file=sys.stderr, flush=True)
        return STOPPED
    if code < 0:
        print(f"Snakemake was ended: {why_ended(-code)}.", file=sys.stderr, flush=True)
    return exit_status(code)


def _start(words: list[str], steps: Sequence[str]) -> int:
    """Start a command that leads a process group and return its id.

    On Linux, Snakemake runs in a fork of this process, which has imported much of what it needs.
    """
    own = words[:4] == [sys.executable, "-P", "-m", "platecli.execution.engine"]
    if not own or sys.platform != "linux":
        # The child inherits the lock on .venv: see `platecli.execution.environment.ensure`.
        process = subprocess.Popen(
            words, close_fds=False, process_group=0, preexec_fn=stopping.release
        )
        process.returncode = 0  # we wait for it ourselves
        return process.pid
    sys.stdout.flush()
    sys.stderr.flush()
    with warnings.catch_warnings():
        # Python warns of threads, which are those of a library that the fork does not call.
        warnings.simplefilter("ignore", DeprecationWarning)
        pid = os.fork()
    if pid == 0:
        with contextlib.suppress(OSError):
            os.setpgid(0, 0)
        sys.argv = words[3:]
        # The progress lines fold themselves.
        sys.stdout = getattr(sys.stdout, "unfolded", sys.stdout)
        sys.stderr = getattr(sys.stderr, "unfolded", sys.stderr)
        _end(words[4:], steps)
    with contextlib.suppress(OSError):  # the fork may have done so already
        os.setpgid(pid, pid)
    return pid


def exit_status(code: int) -> int:
    """Convert a return code, negative for a signal, to an exit status."""
    return code if code >= 0 else 128 - code


def shell_word(executable: str) -> str:
    """Return a name of the interpreter that a shell reads as one word.

    Snakemake writes ``sys.executable`` into commands without quotes, which fails in a folder with
    a blank or a quote in its name. The launcher has put the interpreter's folder first in PATH.

    Parameters
    ----------
    executable
        Path of the interpreter.
    """
    name = Path(executable).name
    if shlex.quote(executable) == executable or shutil.which(name) != executable:
        return executable
    return name


def main(argv: list[str], steps: Sequence[str] = ()) -> int:
    """Run Snakemake in this process, without its initial output.

    Parameters
    ----------
    argv
        Options and targets of Snakemake.
    steps
        As for `run`.
    """
    gc.set_threshold(_COLLECT_AFTER, 50, 50)
    with StepServer() as server:
        ears = Ears(server.end)
        if sys.platform == "linux":
            server.expect(steps)
        return _snakemake(argv, server, ears)


def _snakemake(argv: list[str], server: StepServer, ears: Ears) -> int:
    from platecli.execution import snakemake_names

    if not any(word.startswith(("--report", "--profile")) for word in argv):
        snakemake_names.leave_reports_away()
    sys.executable = shell_word(sys.executable)
    logging.raiseExceptions = False  # report a full disk once, not for each line of a log
    snakemake_names.disarm_sigterm()
    try:
        snakemake = snakemake_names.command_line()
    except snakemake_names.MissingName as name:
        return _command(argv, str(name))
    said = io.StringIO()
    try:
        with contextlib.redirect_stderr(said):
            parser, args = snakemake.parse_args(argv)
    except SystemExit as stop:
        # A wrong option: the last line says it, above it is a list of every option there is.
        last = said.getvalue().strip().splitlines()[-1:]
        print(*(line.partition("error: ")[2] or line for line in last), file=sys.stderr)
        return int(stop.code or 0)
    except Exception as problem:
        snakemake.print_exception(problem)
        return 1
    if args.executor in (None, "local"):
        # A limit on jobs a second is for those who submit to others. Each look at it is a second
        # that the end of the run has to wait for.
        args.max_jobs_per_timespan = None
    else:  # jobs on other machines are to be cancelled
        ears.ends_at_once = False
    if args.executor is None and sys.platform == "linux" and not args.software_deployment_method:
        import snakemake_executor_plugin_platelog as plugin

        args.executor, plugin.SERVER = "platelog", server
    try:
        done = snakemake.args_to_api(args, parser)
    except Exception as problem:
        snakemake.print_exception(problem)
        done = False
    if INTERRUPTED.is_set():
        return STOPPED
    return 0 if done else 1


def _command(argv: list[str], missing: str) -> int:
    """Run Snakemake's command, if it cannot run in this process."""
    from importlib.metadata import version

    print(
        f"Snakemake {version('snakemake')} has no {missing}; platelog runs its command instead, "
        "which takes longer. envs/requirements.lock names the tested version.",
        file=sys.stderr,
    )
    return subprocess.run([sys.executable, "-P", "-m", "snakemake", *argv], check=False).returncode


def _end(argv: list[str], steps: Sequence[str] = ()) -> NoReturn:
    """Run `main` and end this process without freeing its memory, which would be slow."""
    sys.stdout, sys.stderr = guarded(sys.stdout), guarded(sys.stderr)
    try:
        status = main(argv, steps)
    except SystemExit as stop:
        status = stop.code if isinstance(stop.code, int) else int(stop.code is not None)
        if isinstance(stop.code, str):
            print(stop.code, file=sys.stderr)
    except KeyboardInterrupt:
        status = -signal.SIGINT
    except BaseException:
        traceback.print_exc()
        status = 1
    atexit._run_exitfuncs()
    with contextlib.suppress(OSError, ValueError):
        sys.stdout.flush()
        sys.stderr.flush()
    if status < 0:
        signal.signal(-status, signal.SIG_DFL)
        os.kill(os.getpid(), -status)
    os._exit(status)


if __name__ == "__main__":
    _end(sys.argv[1:])
