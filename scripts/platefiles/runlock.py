"""One run at a time in a results folder."""

import fcntl
import os
from pathlib import Path
from typing import IO

from platefiles.errors import UserError

INHERITED = "PLATELOG_RUN_LOCK"
"""Environment variable with the number of the open lock file that a verb hands to Snakemake."""

_held: list[IO[str]] = []


class Busy(UserError):
    """Another run is at work."""


def hold_run_lock(results: str | Path) -> None:
    """Hold the lock of a results folder until this process ends, however it ends.

    The processes that it starts hold the lock as well if they inherit its files; they take it for
    theirs.

    Raises
    ------
    Busy
        If another run holds it.
    """
    folder = Path(results)
    folder.mkdir(parents=True, exist_ok=True)
    if _is_inherited(folder / ".run.lock"):
        return
    stream = open(folder / ".run.lock", "a")  # noqa: SIM115 - held open for the life of the process
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        stream.close()
        msg = f"another run is at work in {folder.absolute()}; wait for its end, or stop it"
        raise Busy(msg) from None
    _held.append(stream)
    os.set_inheritable(stream.fileno(), True)
    os.environ[INHERITED] = str(stream.fileno())


def _is_inherited(path: Path) -> bool:
    """Whether the file that the variable names is this lock file, opened by who started us."""
    try:
        return os.path.samestat(os.fstat(int(os.environ.get(INHERITED, ""))), os.stat(path))
    except (ValueError, OSError):
        return False
