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
    """No job is started any more."""


class Job:
    """The process of a step, which begins with a ``with`` block and is there until its end.

    So whoever measures processes finds it, however short the step.

    Attributes
    ----------
    pid : int
    for_memory : bool
        Whether the kernel has killed it for want of memory, once it has ended.
    """

    def __init__(
        self, pid: int, talk: socket.socket, how_killed: Callable[[int], tuple[int, bool]]
    ):
        self.pid = pid
        self.for_memory = False
        self._talk = talk
        self._how_killed = how_killed

    def __enter__(self) -> Self:
        """Let it begin."""
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
        """Let the process go."""
        self._talk.close()


class StepServer:
    """The process that is forked, seen from the one that asks; any of its threads may.

    It is started with the first request, and ends with all its jobs when this process does, however
    that ends. As a context it is ended and waited for.
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
        """Let the process end, and wait for it."""
        self.end()

    def end(self, seconds: float | None = None) -> None:
        """End the process and the jobs that are still at work, and wait for it.

        Parameters
        ----------
        seconds
            How long to wait; None for as long as it takes.
        """
        with self._lock:
            self._ended = True
            if self._control is not None:
                self._control.close()
        if self._process is not None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(seconds)

    def expect(self, steps: Iterable[str]) -> None:
        """Have steps imported while there is nothing else to do, in this order.

        Parameters
        ----------
        steps
            Names of modules; a name that is none is passed over.
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
            If there is no process to be forked and none can be started.
        ServerEnded
            If it was ended by this process.
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
        """Return the signal that has killed a job, and whether it was for want of memory."""
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
        """Return the socket to the process, which is started if there is none yet."""
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
