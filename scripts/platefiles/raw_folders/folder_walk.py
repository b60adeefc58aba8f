"""Walk raw folders, each once, even if several projects share it."""

import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from platefiles.core.errors import UserError
from platefiles.core.safe_names import escape

ENDINGS = tuple(f"{e}{packed}" for e in (".fits", ".fit", ".fts") for packed in ("", ".fz", ".gz"))

_Found = tuple[str, str, str, os.stat_result]


class SeenFiles:
    """Files seen by the scans of several projects while these are opened.

    Attributes
    ----------
    records : dict of str to dict
        Record of `platefiles.raw_folders.scan`, by path.
    """

    def __init__(self) -> None:
        self.records: dict[str, dict[str, Any]] = {}
        self._files: dict[str, Any] = {}
        self._folders: dict[str, list[_Found]] = {}

    def walk(self, folders: Iterable[str | Path]) -> Iterator[_Found]:
        """Yield the output of `walk_folders`, with each folder read only once.

        Raises
        ------
        UserError
            As `walk_folders`.
        """
        taken: set[tuple[int, int]] = set()
        for folder in folders:
            root = os.path.abspath(os.fspath(folder))
            if root not in self._folders:
                self._folders[root] = list(_walk(root))
            for found in self._folders[root]:
                if _is_new(found[-1], taken):
                    yield found

    def shared(self, file: Any) -> Any:
        """Return an equal `RawFile` of another scan, else the file itself."""
        other = self._files.setdefault(file.path, file)
        return other if other == file else file


def walk_folders(folders: Iterable[str | Path]) -> Iterator[_Found]:
    """Yield folder, path, path inside the folder and status of every raw file of raw folders.

    Parameters
    ----------
    folders : iterable of path
        A file reached twice, by links or from two folders, counts once.

    Raises
    ------
    UserError
        If a folder is missing or unreadable.
    """
    return SeenFiles().walk(folders)


def _walk(root: str) -> Iterator[_Found]:
    if not os.path.isdir(root):
        msg = f"there is no raw folder {escape(root)}: correct `raw` in the project's file"
        raise UserError(msg)
    seen: set[tuple[int, int]] = set()
    _is_new(os.stat(root), seen)
    return _walk_one(root, root, seen)


def _walk_one(root: str, here: str, seen: set[tuple[int, int]]) -> Iterator[_Found]:
    for name in sorted(_names(here)):
        path = os.path.join(here, name)
        try:
            info = os.stat(path)
        except OSError:  # gone meanwhile, or a link to nowhere
            continue
        is_folder = stat.S_ISDIR(info.st_mode)
        if not is_folder and not (stat.S_ISREG(info.st_mode) and name.lower().endswith(ENDINGS)):
            continue
        if not _is_new(info, seen):
            continue
        if is_folder:
            yield from _walk_one(root, path, seen)
        else:
            yield root, path, path[len(root) :].lstrip("/"), info


def _is_new(info: os.stat_result, seen: set[tuple[int, int]]) -> bool:
    place = (info.st_dev, info.st_ino)
    if place in seen and info.st_ino:
        return False
    seen.add(place)
    return True


def _names(folder: str) -> list[str]:
    try:
        return [name for name in os.listdir(folder) if not name.startswith(".")]
    except FileNotFoundError:
        return []
    except OSError as error:
        msg = f"cannot look into the raw folder {escape(folder)}: {error.strerror}"
        raise UserError(msg) from error
