"""Start Snakemake without its preamble, in a process of its own (``python -m platecli.engine``)."""

import contextlib
import io
import logging
import os
import shlex
import shutil
import signal
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from types import FrameType

from platelog import STOPPED
from snakemake_logger_plugin_platelog.progress import INTERRUPTED

ROOT = Path(__file__).resolve().parents[2]
MIB = 1024**2


def command(
    projects: Sequence[str],
    target: str,
    directory: Path,
    cores: int | None = None,
    dry_run: bool = False,
    extra: Sequence[str] = (),
) -> list[str]:
    """Return the command that makes the target for the projects.

    Parameters
    ----------
    projects
        Names of projects in ``config/projects``, or paths of project files.
    target
        A target rule, or a file below ``results``.
    directory
        Working directory, in which ``results`` lies.
    cores
        Number of processors; None leaves it to the profile, which takes all.
    dry_run
        Only say what would be done.
    extra
        Further options of Snakemake; they win over those given here.
    """
    memory_mb = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // MIB * 3 // 4
    words = [sys.executable, "-P", "-m", "platecli.engine"]
    words += ["--snakefile", str(ROOT / "Snakefile"), "--directory", str(directory)]
    words += ["--workflow-profile", str(ROOT / "config" / "profile"), "--logger", "platelog"]
    words += ["--resources", f"mem_mb={max(memory_mb, 2000)}"]
    words += ["--cores", str(cores)] if cores else []
    words += ["--dry-run"] if dry_run else []
    settings = ["--config", f"projects=[{','.join(map(_quoted, projects))}]"]
    return [*words, *extra, *settings, "--", target]


def _quoted(text: str) -> str:
    """Return a text as YAML for Snakemake, with nothing in it that a shell or a list would take."""
    safe = (c if c.isalnum() or c in "/._- " else f"\\U{ord(c):08x}" for c in text)
    return f'"{"".join(safe)}"'


def run(words: Sequence[str]) -> int:
    """Run a command and return its exit status; Ctrl-C and termination end it and its jobs.

    The command leads a process group of its own. Were it in ours, the terminal would interrupt
    each job, and each would answer with a traceback; so the command is interrupted, and the jobs
    are ended.

    Parameters
    ----------
    words
        The command, as from `command`.
    """
    # The lock on .venv goes with it: see `platecli.environment.ensure`.
    process = subprocess.Popen(list(words), close_fds=False, process_group=0)
    stopped = False

    def stop(number: int, frame: FrameType | None) -> None:
        nonlocal stopped
        stopped = True
        with contextlib.suppress(ProcessLookupError):
            process.send_signal(signal.SIGINT)
            os.killpg(process.pid, signal.SIGTERM)

    signals = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = [signal.signal(number, stop) for number in signals]
    try:
        code = process.wait()
    finally:
        for number, handler in zip(signals, before, strict=True):
            signal.signal(number, handler)
    if stopped and code:
        if code < 0:  # it had no time to say so itself
            print("Stopped; the same command goes on from here.", file=sys.stderr)
        return STOPPED
    return exit_status(code)


def exit_status(code: int) -> int:
    """Return the exit status for a return code, in which a signal is a negative number."""
    return code if code >= 0 else 128 - code


def shell_word(executable: str) -> str:
    """Return a way to call the interpreter that a shell takes as one word.

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


def main(argv: list[str]) -> int:
    """Run Snakemake in this process, leaving away what it prints before it begins.

    Parameters
    ----------
    argv
        Options and targets of Snakemake.
    """
    from snakemake.cli import args_to_api, parse_args
    from snakemake.exceptions import print_exception

    sys.executable = shell_word(sys.executable)
    logging.raiseExceptions = False  # a full disk is told once, not for each line of a log
    signal.signal(signal.SIGINT, _interrupt)
    said = io.StringIO()
    try:
        with contextlib.redirect_stderr(said):
            parser, args = parse_args(argv)
    except SystemExit as stop:
        # A wrong option: the last line says it, above it is a list of every option there is.
        last = said.getvalue().strip().splitlines()[-1:]
        print(*(line.partition("error: ")[2] or line for line in last), file=sys.stderr)
        return int(stop.code or 0)
    except Exception as problem:
        print_exception(problem)
        return 1
    try:
        done = args_to_api(args, parser)
    except Exception as problem:
        print_exception(problem)
        done = False
    if INTERRUPTED.is_set():
        return STOPPED
    return 0 if done else 1


def _interrupt(number: int, frame: FrameType | None) -> None:
    INTERRUPTED.set()
    raise KeyboardInterrupt


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
