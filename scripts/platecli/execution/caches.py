"""A folder for the caches of libraries, if the user's own cannot be written."""

import os
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

VARIABLE = "XDG_CACHE_HOME"
"""The variable that names the folder of caches, by the XDG Base Directory Specification."""

_SNAKEMAKES = Path("snakemake", "snakemake", "source-cache")


def give_room(results: Path) -> None:
    """Set writable cache folders for the libraries of this process and its jobs.

    The default is the user's cache folder. If it is not writable, as in a service account, a folder
    in the environment or the results is used.

    Parameters
    ----------
    results : Path
        Folder of results.
    """
    usual = Path(os.environ.get(VARIABLE) or Path("~/.cache").expanduser())
    if _can_be_made(usual / _SNAKEMAKES):
        return
    others = (Path(sys.prefix, "var", "cache"), results.absolute() / ".cache")
    found = next(_made(others), None)
    if found is not None:
        os.environ[VARIABLE] = str(found)


def _made(folders: Iterable[Path]) -> Iterator[Path]:
    for folder in folders:
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError:
            continue
        if _can_be_made(folder / _SNAKEMAKES):
            yield folder


def _can_be_made(folder: Path) -> bool:
    """Return whether a folder is writable or can be created."""
    there = next(path for path in (folder, *folder.parents) if path.exists())
    return there.is_dir() and os.access(there, os.W_OK | os.X_OK)
