"""Find why a process was killed: the signal, and whether memory ran out."""

import contextlib
import signal
from collections.abc import Iterable
from pathlib import Path

OUT_OF_MEMORY = (
    "out of memory: the kernel ended it; close other programs, or lower memory_gb in "
    "config/machine.yaml so that fewer jobs run side by side"
)

_TOLD_BY_PYTHON = {signal.SIGSEGV, signal.SIGFPE, signal.SIGABRT, signal.SIGBUS, signal.SIGILL}
"""Crashes, on which the interpreter itself writes into the log of a job."""


def why_ended(number: int, for_memory: bool = False) -> str:
    """Return the reason in words why a signal ended a process.

    Parameters
    ----------
    number
        The signal.
    for_memory
        Whether the kernel killed processes out of memory in the meantime; see `memory_kills`.
    """
    if for_memory and number == signal.SIGKILL:
        return OUT_OF_MEMORY
    try:
        return f"killed by signal {number} ({signal.Signals(number).name})"
    except ValueError:  # a real-time signal
        return f"killed by signal {number}"


def memory_kills(proc: Path = Path("/proc"), cgroups: Path = Path("/sys/fs/cgroup")) -> int:
    """Return the number of processes killed by the kernel out of memory so far.

    The count is that of the control group of this process, with which containers and batch systems
    limit memory; without one, of the whole machine; 0 if unknown.

    Parameters
    ----------
    proc, cgroups
        Where the kernel shows both.
    """
    with contextlib.suppress(OSError, ValueError):
        for line in (proc / "self" / "cgroup").read_text(encoding="utf-8").splitlines():
            if line.startswith("0::"):
                return _count(cgroups / line[3:].lstrip("/") / "memory.events")
    with contextlib.suppress(OSError, ValueError):
        return _count(proc / "vmstat")
    return 0


def _count(path: Path) -> int:
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("oom_kill "):
            return int(line.split()[1])
    msg = f"{path} does not count kills"
    raise ValueError(msg)


def tell_in_logs(logs: Iterable[str], number: int, for_memory: bool = False) -> None:
    """Add the reason for a killed job to its logs, unless its interpreter reported a crash.

    Parameters
    ----------
    logs
        Paths; unwritable files are skipped.
    number, for_memory
        As for `why_ended`.
    """
    if number in _TOLD_BY_PYTHON:
        return
    for path in logs:
        with contextlib.suppress(OSError), open(path, "a", encoding="utf-8") as log:
            log.write(f"ERROR {why_ended(number, for_memory)}\n")
