"""Run steps as forks of one interpreter that has imported what they need.

An interpreter of its own costs a step about a second of processor time for imports, for loading
compiled kernels and for clearing up. So a run keeps one process that imports the module of a step
when it is first asked for, loads the kernels that it uses, and is forked for each job. A job then
begins within some milliseconds, on pages of memory that it shares with the others.

Only for jobs of this machine, on Linux: libraries of macOS do not outlive a fork. Where the process
cannot be had, and in containers, conda environments and on other machines, Snakemake starts an
interpreter for each job as usual.
"""

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable
from typing import Self, TypeVar

from platecli.execution.step_forks import NUMBER

ENVIRONMENT = {"OPENBLAS_NUM_THREADS": "1"}
"""Variables of the process that is forked: the threads of a library would not come along."""

_ANSWER_WITHIN_S = 30.0
"""Time in which a process that may be importing a step says how a job was killed."""

Default = TypeVar("Default")


class ServerEnded(Exception):
    """The server has ended and starts no further jobs."""


class Job:
    """The process of a step, started by a ``with`` block and existing until its end.

    So its figures can be read even for a very short step.

    Attributes
    ----------
    pid : int
    for_memory : bool
        Whether the kernel killed it out of memory, known after its end.
    """

    def __init__(
        self, pid: int, talk: socket.socket, how_killed: Callable[[int], tuple[int, bool]]
    ):
        self.pid = pid
        self.for_memory = False
        self._talk = talk
        self._how_killed = how_killed

    def __enter__(self) -> Self:
        """Start the step."""
        with contextlib.suppress(OSError):
            self._talk.sendall(b"+")
        return self

    def wait(self) -> int:
        """Wait until the step has ended and return its exit status; a signal is negative."""
        status = _receive(self._talk, None)
        if status is None:  # it had no time to tell
            number, self.for_memory = self._how_killed(self.pid)
            return -number
        return status

    def __exit__(self, *exception: object) -> None:
        """Release the process."""
        self._talk.close()


class StepServer:
    """The client side of the process that forks jobs; thread-safe.

    It starts with the first request and ends with all its jobs when this process ends for any
    reason. As a context manager, it is ended and waited for.
    """

    def __init__(self) -> None:
        self._ended = False
        self._control: socket.socket | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()

    def __enter__(self) -> Self:
        """Do nothing yet."""
        return self

    def __exit__(self, *exception: object) -> None:
        """End the process and wait for it."""
        self.end()

    def end(self, seconds: float | None = None) -> None:
        """End the process and its running jobs, and wait for it.

        Parameters
        ----------
        seconds
            Waiting time; None without limit.
        """
        with self._lock:
            self._ended = True
            if self._control is not None:
                self._control.close()
        if self._process is not None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(seconds)

    def expect(self, steps: Iterable[str]) -> None:
        """Import steps in the given order while idle.

        Parameters
        ----------
        steps
            Names of modules; invalid names are skipped.
        """
        names = list(dict.fromkeys(steps))
        if names:
            with contextlib.suppress(OSError):  # then jobs will find out
                self._reached().send(json.dumps({"expected": names}).encode())

    def start(self, script: str, step: str, temporary: str | None = None) -> Job:
        """Start a script in the working directory of this process.

        Parameters
        ----------
        script
            File to be run as ``__main__``.
        step
            Name of the module to be imported before; the script is that module with a preamble.
        temporary
            Folder for the temporary files of the job; None for the usual one.

        Raises
        ------
        OSError
            If the process does not exist and cannot be started.
        ServerEnded
            If this process has ended it.
        """
        job = {"script": script, "step": step, "folder": os.getcwd(), "temporary": temporary}
        request = json.dumps(job).encode()
        ours, theirs = socket.socketpair()
        try:
            with theirs:
                socket.send_fds(self._reached(), [request], [theirs.fileno()])
            pid = _receive(ours, None)
            if not pid:
                msg = "the process that steps are forked from has ended"
                raise ConnectionError(msg)
        except BaseException:
            ours.close()
            raise
        return Job(pid, ours, self._how_killed)

    def _how_killed(self, pid: int) -> tuple[int, bool]:
        """Return the signal that ended a job, and whether it was out of memory."""
        ours, theirs = socket.socketpair()
        with ours:
            ours.settimeout(_ANSWER_WITHIN_S)
            with contextlib.suppress(OSError, ServerEnded):
                with theirs:
                    request = json.dumps({"killed": pid}).encode()
                    socket.send_fds(self._reached(), [request], [theirs.fileno()])
                number, for_memory = _receive(ours, signal.SIGKILL), _receive(ours, 0)
                return number, bool(for_memory)
        return signal.SIGKILL, False

    def _reached(self) -> socket.socket:
        """Return the socket to the process; start the process if needed."""
        with self._lock:
            if self._ended:
                raise ServerEnded
            if self._control is None:
                self._control, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
                with theirs:
                    self._process = subprocess.Popen(
                        [
                            sys.executable,
                            "-P",
                            "-m",
                            "platecli.execution.step_forks",
                            str(theirs.fileno()),
                        ],
                        stdin=subprocess.DEVNULL,
                        pass_fds=[theirs.fileno()],
                        env=os.environ | ENVIRONMENT,
                    )
            return self._control


def _receive(talk: socket.socket, otherwise: Default) -> int | Default:
    """Return the next number, or the other value if the socket is closed before."""
    data = b""
    while len(data) < NUMBER.size:
        part = b""
        with contextlib.suppress(ConnectionResetError):  # closed before what was sent was read
            part = talk.recv(NUMBER.size - len(data))
        if not part:
            return otherwise
        data += part
    return int(NUMBER.unpack(data)[0])
