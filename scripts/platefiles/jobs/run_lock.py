"""One run at a time in a results folder."""

import errno
import fcntl
import os
from contextlib import suppress
from pathlib import Path
from typing import IO

from platefiles.core.errors import UserError

RESULTS = "results"
"""Folder of results inside the working directory."""

INHERITED = "PLATELOG_RUN_LOCK"
"""Environment variable with the number of the open lock file that a verb hands to Snakemake."""

_held: list[IO[str]] = []


class Busy(UserError):
    """Another run is running."""


def hold_run_lock(results: str | Path) -> None:
    """Hold the lock of a results folder until this process ends.

    Child processes that inherit the file descriptor share the lock.

    Raises
    ------
    Busy
        If another run holds it.
    UserError
        If the lock file cannot be opened.
    """
    folder = Path(results).absolute()
    path = folder / ".run.lock"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if _is_inherited(path):
            return
        if not os.access(folder, os.W_OK | os.X_OK):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        stream = open_lock(path)
    except OSError as problem:
        raise UserError(_not_opened(path, problem)) from None
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        stream.close()
        msg = f"another run is active in {folder}; wait until it ends, or stop it"
        raise Busy(msg) from None
    except OSError:  # some network disks know no locks
        pass
    _held.append(stream)
    os.set_inheritable(stream.fileno(), True)
    os.environ[INHERITED] = str(stream.fileno())


def open_lock(path: str | Path) -> IO[str]:
    """Open the file of a lock; create it if missing.

    Read access suffices for a file of another user.

    Raises
    ------
    OSError
        If it can be neither written nor read.
    """
    try:
        return open(path, "a")
    except PermissionError:
        with suppress(OSError):
            return open(path)
        raise


def _not_opened(path: Path, problem: OSError) -> str:
    """Return the reason why the lock file cannot be opened, with the remedy, as one sentence."""
    why = problem.strerror or problem
    if problem.filename == os.fspath(path) and path.exists():
        owner = _owner(path)
        return f"{path} belongs to {owner} ({why}); run as {owner}, or name another --directory"
    return f"{path.parent} cannot be written ({why}); solve this, or name another --directory"


def _owner(path: Path) -> str:
    try:
        return path.owner()
    except (KeyError, OSError):
        return "another user"


def _is_inherited(path: Path) -> bool:
    """Return whether the variable names this lock file, opened by the parent process."""
    try:
        return os.path.samestat(os.fstat(int(os.environ.get(INHERITED, ""))), os.stat(path))
    except (ValueError, OSError):
        return False
