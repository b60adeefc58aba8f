"""A file that is newer than what is stale, to tell Snakemake so."""

import atexit
import functools
import os
import tempfile
import time
from collections.abc import Iterable
from contextlib import suppress

_YEAR_2100_S = 4_102_444_800


@functools.cache
def newer_file(only_said: bool) -> str:
    """Return the path of an empty file, newer than what was made before, that goes with us.

    It lies in the system's folder for temporary files: a dry run leaves nothing in the results.

    Parameters
    ----------
    only_said : bool
        Nothing will be made, so it may be of the future, where the clock was set back.
    """
    handle, path = tempfile.mkstemp(prefix="platelog-", suffix=".stale")
    os.close(handle)
    if only_said:
        os.utime(path, (_YEAR_2100_S, _YEAR_2100_S))
    atexit.register(_remove, path, os.getpid())
    return path


def date_back(paths: Iterable[str]) -> None:
    """Give files whose time is of the future the present one; of a link its own time.

    The clock was set back then, and Snakemake refuses whatever is older than what it was made from.
    """
    now = time.time() - 1
    for path in paths:
        with suppress(OSError):
            if os.lstat(path).st_mtime > now:
                os.utime(path, (now, now), follow_symlinks=False)


def _remove(path: str, owner: int) -> None:
    if os.getpid() == owner and os.path.exists(path):
        os.unlink(path)
