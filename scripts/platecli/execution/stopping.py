"""Stop a verb after Ctrl-C, termination or a closed terminal.

No handler here takes a lock or raises an exception: the frame that it interrupts may hold any lock,
and may be one whose exceptions are swallowed. A process without jobs ends at once. That is safe at
any moment, since products are renamed when they are whole and the kernel takes locks back.
"""

import contextlib
import os
import signal
import sys
from collections.abc import Iterator
from types import FrameType
from typing import NoReturn

from platelog import STOP_SIGNALS, STOPPED

GOES_ON = "Stopped; the same command resumes."


def heeded() -> list[signal.Signals]:
    """Return the signals that stop a run; without SIGHUP under ``nohup``."""
    spared = signal.getsignal(signal.SIGHUP) == signal.SIG_IGN
    return [number for number in STOP_SIGNALS if number != signal.SIGHUP or not spared]


@contextlib.contextmanager
def held_back() -> Iterator[None]:
    """Block signals that stop a run, also in a process forked inside the block."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, STOP_SIGNALS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def release() -> None:
    """Unblock signals that the parent process blocked."""
    signal.pthread_sigmask(signal.SIG_UNBLOCK, STOP_SIGNALS)


def end_at_signals() -> None:
    """End this process, which has no jobs, with a message at the first signal that stops a run."""
    for number in heeded():
        signal.signal(number, _end_at_once)
    release()


def _end_at_once(number: int, frame: FrameType | None) -> NoReturn:
    """Flush the output in order and end."""
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(Exception):  # as where the signal came while it was written to
            stream.flush()
    with contextlib.suppress(OSError):
        os.write(2, f"{GOES_ON}\n".encode())
    os._exit(STOPPED)


def ignore_signals() -> None:
    """Ignore signals: only the shutdown of the interpreter is left, which cannot handle them."""
    for number in STOP_SIGNALS:
        signal.signal(number, signal.SIG_IGN)


class Stop:
    """Handler of a process that waits for Snakemake's, which leads a process group.

    The first signal is passed on, and Snakemake's process ends its jobs; a second one ends all.

    Attributes
    ----------
    count : int
        Signals so far.
    """

    def __init__(self, process: int) -> None:
        self.count = 0
        self._process = process

    def __call__(self, number: int, frame: FrameType | None) -> None:
        """Pass a signal on."""
        self.count += 1
        with contextlib.suppress(ProcessLookupError):
            if self.count == 1:
                os.kill(self._process, signal.SIGINT)
            else:
                os.killpg(self._process, signal.SIGKILL)


def ended(process: int) -> int:
    """Wait until the leader of a process group ends, end the others and return its exit code.

    Parameters
    ----------
    process
        A child of this process.

    Returns
    -------
    int
        A signal is a negative number, as in `subprocess`.
    """
    if hasattr(os, "waitid"):  # not on macOS
        # It is not reaped yet, so that its number cannot be that of another group.
        os.waitid(os.P_PID, process, os.WEXITED | os.WNOWAIT)
        with contextlib.suppress(OSError):
            os.killpg(process, signal.SIGKILL)
    return os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])
