"""Jobs that outlive their run.

Whoever kills Snakemake alone leaves its jobs at work. They would put products of the old settings
in place of those of the next run, so the next run waits, and is refused while they go on.
"""

import fcntl
import os
import time
from contextlib import suppress
from pathlib import Path
from typing import IO

from platefiles.core.errors import UserError
from platefiles.jobs.run_lock import open_lock

PATIENCE_S = 10.0
"""How long jobs that were told to stop may take to do so."""

_held: dict[str, IO[str]] = {}


def hold_job_lock(results: str | Path) -> None:
    """Lock a results folder until this process ends, so that later runs notice the job.

    Parameters
    ----------
    results : path-like
        An existing folder.
    """
    path = os.path.join(os.path.abspath(results), ".jobs.lock")
    if path not in _held:
        _held[path] = open_lock(path)  # for the life of the process
        with suppress(OSError):  # some network disks know no locks
            fcntl.flock(_held[path], fcntl.LOCK_SH | fcntl.LOCK_NB)


def refuse_orphans(results: str | Path, patience_s: float = PATIENCE_S) -> None:
    """Check that no job of an earlier run is running in a results folder.

    Parameters
    ----------
    results : path-like
        May be missing.
    patience_s : float
        Waiting time for such jobs to end.

    Raises
    ------
    UserError
        If such jobs are still running.
    """
    folder = os.path.abspath(results)
    with suppress(FileNotFoundError), open_lock(os.path.join(folder, ".jobs.lock")) as stream:
        deadline = time.monotonic() + patience_s
        while not _is_free(stream):
            if time.monotonic() > deadline:
                what = "jobs of a killed run are still running"
                msg = f"{what} in {folder}; wait until they end"
                raise UserError(msg)
            time.sleep(0.1)


def _is_free(stream: IO[str]) -> bool:
    try:
        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        pass
    return True
