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
import gc
import importlib
import json
import os
import runpy
import select
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, NoReturn, Self

from platecli.screen import guarded

KILLED = -signal.SIGKILL
"""Status of a job that ended without a word of its own."""

HEARD_WITHIN_S = 2.0
"""Time within which a run knows that it is interrupted, once its jobs are ended for that."""

ENVIRONMENT = {"OPENBLAS_NUM_THREADS": "1"}
"""Variables of the process that is forked: the threads of a library would not come along."""

_FIRST_LOOK_S, _RARER, _LOOK_AT_LEAST_EVERY_S = 0.5, 1.5, 30.0
"""When a running job is looked at for its benchmark file."""

_NUMBER = struct.Struct("!i")
_LONGEST_REQUEST = 65536
_OF_EACH_SCRIPT = ("snakemake.iocontainers", "snakemake.logging")  # by what Snakemake puts into it


class Job:
    """The process of a step, which begins with a ``with`` block and is there until its end.

    So whoever measures processes finds it, however short the step.

    Attributes
    ----------
    pid : int
    """

    def __init__(self, pid: int, talk: socket.socket):
        self.pid = pid
        self._talk = talk

    def __enter__(self) -> Self:
        """Let it begin."""
        with contextlib.suppress(OSError):
            self._talk.sendall(b"+")
        return self

    def wait(self) -> int:
        """Wait until the step has ended and return its exit status."""
        return _receive(self._talk, KILLED)

    def __exit__(self, *exception: object) -> None:
        """Let the process go."""
        self._talk.close()


class StepServer:
    """The process that is forked, seen from the one that asks; any of its threads may.

    It is started with the first request, and ends when this process does, however that ends. As a
    context it is ended and waited for.
    """

    def __init__(self) -> None:
        self._control: socket.socket | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()

    def __enter__(self) -> Self:
        """Do nothing yet."""
        return self

    def __exit__(self, *exception: object) -> None:
        """Let the process end, and wait for it."""
        if self._control is not None and self._process is not None:
            self._control.close()
            self._process.wait()
            self._control = None

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
        """
        job = {"script": script, "step": step, "folder": os.getcwd(), "temporary": temporary}
        request = json.dumps(job).encode()
        ours, theirs = socket.socketpair()
        try:
            with theirs:
                socket.send_fds(self._reached(), [request], [theirs.fileno()])
            pid = _receive(ours, 0)
            if not pid:
                msg = "the process that steps are forked from has ended"
                raise ConnectionError(msg)
        except BaseException:
            ours.close()
            raise
        return Job(pid, ours)

    def _reached(self) -> socket.socket:
        """Return the socket to the process, which is started if there is none yet."""
        with self._lock:
            if self._control is None:
                self._control, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
                with theirs:
                    self._process = subprocess.Popen(
                        [sys.executable, "-P", "-m", "platecli.stepserver", str(theirs.fileno())],
                        stdin=subprocess.DEVNULL,
                        pass_fds=[theirs.fileno()],
                        env=os.environ | ENVIRONMENT,
                    )
            return self._control


def serve(control: socket.socket) -> None:
    """Fork for each request, until the other end is closed.

    Parameters
    ----------
    control
        Where requests come from, each with the socket for the answers.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the run is interrupted, and ends its jobs
    gc.disable()  # its marks would copy the pages that jobs share
    expected: list[str] = []
    while True:
        while expected and not select.select([control], [], [], 0)[0]:
            _prepare(expected.pop(0))
        message, handles, *_ = socket.recv_fds(control, _LONGEST_REQUEST, 1)
        if not message:
            break
        request = json.loads(message)
        if "expected" in request:
            expected += request["expected"]
            continue
        _prepare(request["step"])
        gc.freeze()
        with socket.socket(fileno=handles[0]) as talk:
            if os.fork() == 0:
                control.close()
                _run(request, talk)
        _reap(os.WNOHANG)
    _reap(0)


def _reap(options: int) -> None:
    """Take leave of jobs that have ended: so their processor time counts as that of children."""
    with contextlib.suppress(ChildProcessError):
        while os.waitpid(-1, options)[0]:
            pass


def _prepare(step: str) -> None:
    """Import a step and load its kernels; if that fails, the job will say why."""
    with contextlib.suppress(Exception):
        for name in (*_OF_EACH_SCRIPT, step):
            importlib.import_module(name)
        kernels = sys.modules.get("platelib.kernels")
        for name in getattr(kernels, "KERNEL_MODULES", ()):
            module = sys.modules.get(f"platelib.{name}")
            if module is not None and name not in _warm:
                _warm.add(name)
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
        talk.sendall(_NUMBER.pack(os.getpid()))
        if talk.recv(1):
            sys.argv = [request["script"]]
            runpy.run_path(request["script"], run_name="__main__")
            status = 0
    except SystemExit as stop:
        status = stop.code if isinstance(stop.code, int) else int(stop.code is not None)
    except BaseException:
        traceback.print_exc()
    finally:
        with contextlib.suppress(OSError, ValueError):
            sys.stdout.flush()
            sys.stderr.flush()
        with contextlib.suppress(OSError):
            talk.sendall(_NUMBER.pack(status))
            talk.recv(1)
        os._exit(status)  # clearing up compiled code takes longer than many a step


def _receive(talk: socket.socket, otherwise: int) -> int:
    """Return the next number, or the other one if the socket is closed before."""
    data = b""
    while len(data) < _NUMBER.size:
        part = talk.recv(_NUMBER.size - len(data))
        if not part:
            return otherwise
        data += part
    return int(_NUMBER.unpack(data)[0])


@contextlib.contextmanager
def used_by_snakemake(server: StepServer) -> Iterator[None]:
    """Let Snakemake, in this process, run the Python scripts of its rules by a step server.

    Parameters
    ----------
    server
        The server.
    """
    from snakemake import script

    from snakemake_logger_plugin_platelog.progress import INTERRUPTED

    class ForkedScript(script.PythonScript):
        """A Python script that is run by the server, unless it needs another environment."""

        def execute_script(self, fname: str, edit: bool = False) -> None:
            try:
                self._execute(fname, edit)
            except (OSError, subprocess.CalledProcessError):
                # Maybe it was ended for Ctrl-C, of which the main thread is about to hear.
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


if __name__ == "__main__":
    sys.stdout, sys.stderr = guarded(sys.stdout), guarded(sys.stderr)
    serve(socket.socket(fileno=int(sys.argv[1])))
