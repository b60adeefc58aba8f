"""A folder for the caches of libraries, if the user's own cannot be written."""

import os
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

VARIABLE = "XDG_CACHE_HOME"
"""The variable that names the folder of caches, by the XDG Base Directory Specification."""

_SNAKEMAKES = Path("snakemake", "snakemake", "source-cache")


def give_room(results: Path) -> None:
    """Let libraries of this process and its jobs keep their caches where that is possible.

    That is the user's folder of caches, as usual. Where it cannot be written, as in the account of
    a service, it is one in the environment, or among the results.

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
    """Return whether a folder can be written, or can be made with those above it."""
    there = next(path for path in (folder, *folder.parents) if path.exists())
    return there.is_dir() and os.access(there, os.W_OK | os.X_OK)
