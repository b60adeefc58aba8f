"""The process that steps are forked from (``python -m platecli.execution.step_forks``)."""

import contextlib
import gc
import importlib
import json
import os
import runpy
import select
import signal
import socket
import struct
import sys
import tempfile
import traceback
from typing import Any, NoReturn

from platecli.execution.killed import memory_kills
from platecli.text.screen import guarded

NUMBER = struct.Struct("!i")
"""How numbers are sent."""

LONGEST_REQUEST = 65536
"""Bytes."""


def serve(control: socket.socket) -> None:
    """Fork for each request, until the other end is closed.

    Parameters
    ----------
    control
        Source of the requests, each with the socket for the answers.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the run is interrupted, and ends its jobs
    gc.disable()  # its marks would copy the pages that jobs share
    expected: list[str] = []
    jobs = _Jobs()
    while True:
        while expected and not select.select([control], [], [], 0)[0]:
            _prepare(expected.pop(0))
        message, handles, *_ = socket.recv_fds(control, LONGEST_REQUEST, 1)
        if not message:
            break
        request = json.loads(message)
        if "expected" in request:
            expected += request["expected"]
            continue
        with socket.socket(fileno=handles[0]) as talk:
            if "killed" in request:
                jobs.tell_how_killed(request["killed"], talk)
                continue
            _prepare(request["step"])
            gc.freeze()
            pid = os.fork()
            if pid == 0:
                control.close()
                _run(request, talk)
        jobs.add(pid)
    jobs.end()


class _Jobs:
    """The children of the process that is forked."""

    def __init__(self) -> None:
        self._memory_kills: dict[int, int] = {}  # by id, when it began
        self._signals: dict[int, tuple[int, bool]] = {}

    def add(self, pid: int) -> None:
        """Add a child, and reap those that have ended."""
        self._memory_kills[pid] = memory_kills()
        with contextlib.suppress(ChildProcessError):
            while self._reap(-1, os.WNOHANG):
                pass

    def tell_how_killed(self, pid: int, talk: socket.socket) -> None:
        """Send the signal that ended a child, and whether it was out of memory."""
        with contextlib.suppress(ChildProcessError):
            if pid not in self._signals:
                self._reap(pid, 0)
        number, for_memory = self._signals.get(pid, (signal.SIGKILL, False))
        with contextlib.suppress(OSError):
            talk.sendall(NUMBER.pack(number) + NUMBER.pack(for_memory))

    def end(self) -> None:
        """Kill running children, since no process waits for them, and reap all.

        The processor time of reaped children counts in that of this process.
        """
        for pid in self._memory_kills:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        with contextlib.suppress(ChildProcessError):
            while self._reap(-1, 0):
                pass

    def _reap(self, which: int, options: int) -> int:
        pid, status = os.waitpid(which, options)
        if pid:
            before = self._memory_kills.pop(pid, 0)
            if os.WIFSIGNALED(status):
                self._signals[pid] = os.WTERMSIG(status), memory_kills() > before
        return pid


def _prepare(step: str) -> None:
    """Import a step and load its kernels; after a failure, the job itself reports the reason."""
    with contextlib.suppress(Exception):
        importlib.import_module(step)
        kernels = sys.modules.get("platelib.numerics.kernels")
        for name in getattr(kernels, "KERNEL_MODULES", ()):
            module = sys.modules.get(f"platelib.{name}")
            if module is not None and name not in _warm:
                _warm.add(name)
                if hasattr(module, "warm_up"):  # else those that call its kernels load them
                    module.warm_up()


_warm: set[str] = set()


def _run(request: dict[str, Any], talk: socket.socket) -> NoReturn:
    """Run a script in this process, and end it."""
    status = 1
    try:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        gc.enable()
        os.chdir(request["folder"])
        if request["temporary"]:
            os.environ["TMPDIR"] = request["temporary"]
            tempfile.tempdir = None
        talk.sendall(NUMBER.pack(os.getpid()))
        if talk.recv(1):
            sys.argv = [request["script"]]
            runpy.run_path(request["script"], run_name="__main__")
            status = 0
    except SystemExit as stop:
        status = stop.code if isinstance(stop.code, int) else int(stop.code is not None)
        if isinstance(stop.code, str):
            print(stop.code, file=sys.stderr)
    except BaseException:
        traceback.print_exc()
    finally:
        with contextlib.suppress(OSError, ValueError):
            sys.stdout.flush()
            sys.stderr.flush()
        with contextlib.suppress(OSError):
            talk.sendall(NUMBER.pack(status))
            talk.recv(1)
        os._exit(status)  # clearing up compiled code takes longer than many a step


if __name__ == "__main__":
    sys.stdout, sys.stderr = guarded(sys.stdout), guarded(sys.stderr)
    serve(socket.socket(fileno=int(sys.argv[1])))
