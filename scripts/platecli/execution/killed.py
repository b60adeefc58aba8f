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
    """Return in words why a process ended that a signal has killed.

    Parameters
    ----------
    number
        The signal.
    for_memory
        Whether the kernel has killed processes for want of memory meanwhile; see `memory_kills`.
    """
    if for_memory and number == signal.SIGKILL:
        return OUT_OF_MEMORY
    try:
        return f"killed by signal {number} ({signal.Signals(number).name})"
    except ValueError:  # a real-time signal
        return f"killed by signal {number}"


def memory_kills(proc: Path = Path("/proc"), cgroups: Path = Path("/sys/fs/cgroup")) -> int:
    """Return how many processes the kernel has killed so far for want of memory.

    Counted are those of the control group of this process, which a container or a batch system
    gives its memory; where there is none, those of the whole machine. 0 where nothing tells.

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
        Paths; those that cannot be written are passed over.
    number, for_memory
        As for `why_ended`.
    """
    if number in _TOLD_BY_PYTHON:
        return
    for path in logs:
        with contextlib.suppress(OSError), open(path, "a", encoding="utf-8") as log:
            log.write(f"ERROR {why_ended(number, for_memory)}\n")
