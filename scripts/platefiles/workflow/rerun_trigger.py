"""A file that is newer than stale products, so that Snakemake makes them again."""

import atexit
import functools
import os
import tempfile
import time
import uuid
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from platefiles.core.atomic_write import naming

_YEAR_2100_S = 4_102_444_800


def newer_file(results: str, touch: bool) -> str:
    """Return the path of a file that is newer than every product made before this run.

    It lies in the results, where jobs on other machines see it. Its content changes each time:
    Snakemake ignores a newer file with the content of the last run.

    Parameters
    ----------
    results : str
        Folder of results.
    touch : bool
        Whether to set the present time; False in a job of a run that has done so.
    """
    path = Path(results, ".newer")
    if touch or not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        with naming(path):
            path.write_text(f"{uuid.uuid4()}\n", encoding="ascii")
    return os.fspath(path)


@functools.cache
def newer_file_for_a_dry_run() -> str:
    """Return the path of an empty file dated 2100, deleted when this process ends.

    It lies in the system's temporary folder: a dry run writes nothing to the results.
    """
    handle, path = tempfile.mkstemp(prefix="platelog-", suffix=".newer")
    os.close(handle)
    os.utime(path, (_YEAR_2100_S, _YEAR_2100_S))
    atexit.register(_remove, path, os.getpid())
    return path


def date_back(paths: Iterable[str]) -> None:
    """Set files dated in the future to the present time; of a link, its own time.

    Such dates come from a clock that was set back; Snakemake refuses a product older than its
    input.
    """
    now = time.time() - 1
    for path in paths:
        with suppress(OSError):
            if os.lstat(path).st_mtime > now:
                os.utime(path, (now, now), follow_symlinks=False)


def _remove(path: str, owner: int) -> None:
    if os.getpid() == owner and os.path.exists(path):
        os.unlink(path)
