"""Build `.venv` from the pinned packages, once, and keep it whole while it is used.

Standard library only: this runs before there is anything else.
"""

import contextlib
import fcntl
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path

Build = Callable[[Path, Path, Mapping[str, str]], None]

# The packages that the others are built with, where those are published as source only. They are
# installed first and from the lock too; otherwise pip would fetch whatever is newest.
BUILDERS = ("setuptools",)

FAULTS = (
    ("No space left on device", "The disk is full; free about 1 GB"),
    ("Disk quota exceeded", "The disk quota is used up; free about 1 GB"),
    (
        "DO NOT MATCH THE HASHES",
        "A fetched package is not the one that envs/requirements.lock names, so it was not "
        "installed; try another network",
    ),
    ("Failed to establish a new connection", "The package index cannot be reached; go online"),
    ("NewConnectionError", "The package index cannot be reached; go online"),
    ("NameResolutionError", "The package index cannot be reached; go online"),
    ("ConnectTimeoutError", "The package index does not answer; check the network"),
    ("ReadTimeoutError", "The package index does not answer; check the network"),
    ("Connection broken", "The connection to the package index broke; check the network"),
    ("ProxyError", "The network's proxy refuses the package index; check HTTPS_PROXY"),
    ("SSLError", "The package index has no valid certificate; check the clock and the network"),
    (
        "No matching distribution found",
        "A package of envs/requirements.lock does not exist for this Python and machine; use "
        "Python 3.11, 3.12 or 3.13 on a 64-bit system",
    ),
)


class SetupError(Exception):
    """Set-up failed; the message is shown to the user unchanged."""


def ensure(
    root: Path, env: Mapping[str, str], build: Build | None = None
) -> tuple[Path, int | None]:
    """Check or build `.venv`, and lock it against rebuilding while in use.

    Parameters
    ----------
    root
        The checkout.
    env
        Environment variables for what is run to build it.
    build
        Function ``(lock, venv, env)`` that builds; given in tests.

    Returns
    -------
    tuple of pathlib.Path and int
        The virtual environment, and the file descriptor by which a shared lock on it is held: until
        this process ends or closes it, and through a hand-over to another program. None where the
        checkout is read-only, so that nobody can rebuild it.

    Raises
    ------
    SetupError
        With one sentence, if the environment cannot be built.
    """
    lock, venv = root / "envs" / "requirements.lock", root / ".venv"
    try:
        venv.mkdir(exist_ok=True)
        handle = os.open(venv / "setup.lock", os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as problem:
        if is_ready(lock, venv):  # a read-only checkout that was set up before
            return venv, None
        msg = f"{venv} cannot be written ({problem.strerror}); use a folder that you may write to."
        raise SetupError(msg) from None
    os.set_inheritable(handle, True)
    try:
        _hold(handle, lock, venv, lambda: (build or build_environment)(lock, venv, env))
    except BaseException:
        os.close(handle)
        raise
    return venv, handle


def _hold(handle: int, lock: Path, venv: Path, build: Callable[[], None]) -> None:
    """Take the shared lock on a complete environment, built under the exclusive lock if needed."""
    _take(handle, fcntl.LOCK_SH, "Waiting for another set-up of .venv ...")
    while not is_ready(lock, venv):
        with contextlib.suppress(OSError):
            fcntl.flock(handle, fcntl.LOCK_UN)
        _take(
            handle, fcntl.LOCK_EX, "Waiting until .venv, which must be renewed, is not in use ..."
        )
        if not is_ready(lock, venv):
            build()
        _take(handle, fcntl.LOCK_SH, "Waiting for another set-up of .venv ...")


def is_ready(lock: Path, venv: Path) -> bool:
    """Return whether `.venv` is complete and was built from these pinned packages."""
    try:
        stamp = json.loads((venv / "setup.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return stamp == _stamp(lock, venv) and os.access(venv / "bin" / "python", os.X_OK)


def write_stamp(lock: Path, venv: Path) -> None:
    """Mark `.venv` as complete; this must be the last step of the build."""
    partial = venv / "setup.json.part"
    partial.write_text(json.dumps(_stamp(lock, venv), indent=1) + "\n", encoding="utf-8")
    os.replace(partial, venv / "setup.json")


def _stamp(lock: Path, venv: Path) -> dict[str, str]:
    # The interpreter is the one that `.venv` rests on, not the one that runs this: two Pythons on
    # one machine must not renew the environment in turn, but an upgrade of its own must.
    try:
        digest = hashlib.sha256(lock.read_bytes()).hexdigest()
    except OSError as problem:
        msg = f"{lock} cannot be read ({problem.strerror}); restore it with git."
        raise SetupError(msg) from None
    return {"lock": digest, "python": os.path.realpath(venv / "bin" / "python")}


def build_environment(lock: Path, venv: Path, env: Mapping[str, str]) -> None:
    """Empty `.venv` and build it again, with one line of progress.

    Raises
    ------
    SetupError
        With one sentence and the place of the log.
    """
    missing = [name for name in ("venv", "ensurepip") if importlib.util.find_spec(name) is None]
    if missing:
        msg = (
            f"This Python lacks its module {missing[0]}; install it (Debian and Ubuntu: "
            "sudo apt install python3-venv), then give the same command again."
        )
        raise SetupError(msg)
    print("Setting up .venv (once, some minutes) ...", end="", file=sys.stderr, flush=True)
    start = time.monotonic()
    outcome = ""
    try:
        _clear(venv)
        _install(lock, venv, env)
        write_stamp(lock, venv)
        _warm(venv, env)
        outcome = f" done in {time.monotonic() - start:.0f} s"
    except OSError as problem:
        msg = f"{problem.filename or venv}: {problem.strerror}; .venv could not be built."
        raise SetupError(msg) from None
    finally:
        print(outcome, file=sys.stderr, flush=True)


def _clear(venv: Path) -> None:
    for entry in venv.iterdir():
        if entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry)
        elif entry.name != "setup.lock":  # others wait on this very file
            entry.unlink()


def _install(lock: Path, venv: Path, env: Mapping[str, str]) -> None:
    python, log = str(venv / "bin" / "python"), venv / "setup.log"
    base = getattr(sys, "_base_executable", None) or sys.executable
    _run([base, "-I", "-m", "venv", str(venv)], env, log)
    pip = [python, "-m", "pip", "--disable-pip-version-check", "--retries", "2", "install"]
    pip += ["--no-compile", "--require-hashes", "--requirement"]
    env = {**env, "PIP_USER": "0", "PIP_NO_INPUT": "1"}
    builders = venv / "builders.lock"
    text = lock.read_text(encoding="utf-8")
    builders.write_text("".join(pinned(text, name) for name in BUILDERS), encoding="utf-8")
    _run([*pip, str(builders)], env, log)
    _run([*pip, str(lock), "--no-build-isolation"], env, log)
    # Without bytecode each later start would cost seconds. Some files of some packages are not
    # meant to be compiled, so the exit status says nothing.
    folders = [str(folder) for folder in sorted(venv.glob("lib/python*/site-packages"))]
    compiler = [python, "-I", "-m", "compileall", "-q", "-j", "0", "-x", r"/tests?/"]
    subprocess.run([*compiler, *folders], check=False, capture_output=True)


def _warm(venv: Path, env: Mapping[str, str]) -> None:
    """Compile the numerical kernels in advance; after a failure, the first run compiles them."""
    command = [str(venv / "bin" / "python"), "-P", "-m", "platecli.execution.warm"]
    with (venv / "setup.log").open("ab") as log:
        subprocess.run(command, env=env, check=False, stdout=log, stderr=log)


def _run(command: list[str], env: Mapping[str, str], log: Path) -> None:
    # `close_fds=False` hands the lock on: should this process be killed, the next set-up waits
    # until the installer that it left behind has ended.
    with log.open("ab") as sink:
        done = subprocess.run(
            command, env=env, stdin=subprocess.DEVNULL, stdout=sink, stderr=sink, close_fds=False
        )
    if done.returncode:
        sentence = explain(log.read_text(encoding="utf-8", errors="replace"))
        msg = f"{sentence}\nWhole log: {log}"
        raise SetupError(msg)


def pinned(lock_text: str, name: str) -> str:
    """Return the lines of one package in a lock, with its digests."""
    lines: list[str] = []
    for line in lock_text.splitlines(keepends=True):
        if line.startswith(f"{name}==") or (lines and line[:1].isspace()):
            lines.append(line)
        elif lines:
            break
    return "".join(lines)


def explain(log: str) -> str:
    """Convert the output of venv and pip to one sentence, or return its last line."""
    for sign, sentence in FAULTS:
        if sign in log:
            return f"{sentence}, then give the same command again."
    tail = [line.rstrip() for line in log.strip().splitlines()[-12:]]
    return "\n".join(["Setting up .venv failed; the installer's last words:", *tail])


def _take(handle: int, kind: int, message: str) -> None:
    """Take a lock of this kind, with a message if that means waiting."""
    try:
        fcntl.flock(handle, kind | fcntl.LOCK_NB)
    except BlockingIOError:
        print(message, file=sys.stderr, flush=True)
        fcntl.flock(handle, kind)
    except OSError:
        pass  # a file system without locks; then one must not start two set-ups at once
