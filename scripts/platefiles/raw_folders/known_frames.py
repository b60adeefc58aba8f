"""Recognise frames by their content, after they were moved or renamed.

A frame keeps the id and the name under which its project met it first. Both are part of the jobs
that are done on it, so a folder that was renamed or moved makes nothing stale. It also keeps its
kind, which the name of a folder may have told alone.
"""

import os
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from platefiles.core.object_store import is_object_url
from platefiles.core.safe_names import escape, frame_id, unescape
from platefiles.frames.frame import Frame
from platefiles.frames.left_out import COPIES
from platefiles.raw_folders.scan import RawFile

_COLUMNS = ("id", "path", "name", "role", "fingerprint")
_WHY = "why"
"""Column that sheets of earlier versions lack."""

_ROLES = ("bias", "dark", "flat", "light")


class KnownFrame(NamedTuple):
    """A frame of the last list of frames.

    Attributes
    ----------
    id, path, name, fingerprint : str
        As in `Frame`.
    role : str
        As in `Frame`; empty for an unused frame.
    """

    id: str
    path: str
    name: str
    fingerprint: str
    role: str = ""


def read_known(path: str | Path) -> list[KnownFrame]:
    """Read the last list of frames, without copies and damaged lines.

    Parameters
    ----------
    path : path-like
        ``frames.tsv``, of this version or any version with the same columns; else no frames.
    """
    known = []
    rows = _rows(path, (*_COLUMNS, _WHY)) or [(*row, "") for row in _rows(path, _COLUMNS)]
    for one, where, name, role, fingerprint, why in rows:
        used = role if role in _ROLES else ""
        if fingerprint and (used or why) and why not in COPIES:
            texts = unescape(one), unescape(where), unescape(name)
            frame = KnownFrame(*texts, fingerprint, used)
            if _is_consistent(frame):
                known.append(frame)
    return known


def _is_consistent(frame: KnownFrame) -> bool:
    """Return whether id and name agree: if not, one of them was damaged on the disk."""
    own = frame_id(unescape(frame.name))
    return frame.id == own or frame.id.startswith(f"{own}_")


def paths_in_sheet(path: str | Path) -> list[str]:
    """Read the paths of all files of the last list of frames, including unused ones.

    Parameters
    ----------
    path : path-like
        As for `read_known`.
    """
    return [unescape(where) for (where,) in _rows(path, ("path",))]


def _rows(path: str | Path, names: Sequence[str]) -> list[tuple[str, ...]]:
    """Return columns of the intact lines of a list of frames."""
    rows: list[tuple[str, ...]] = []
    with suppress(OSError, ValueError, IndexError):
        header, *lines = Path(path).read_text(encoding="utf-8").split("\n")
        columns = header.split("\t")
        places = [columns.index(name) for name in names]
        for line in lines[:-1]:
            cells = line.split("\t")
            rows.append(tuple(cells[place] for place in places))
    return rows


def recognised(raw_files: Sequence[RawFile], known: Iterable[KnownFrame]) -> dict[int, KnownFrame]:
    """Find known frames among raw files by their fingerprints.

    Parameters
    ----------
    raw_files : sequence of RawFile
        In the order of the scan.
    known : iterable of KnownFrame
        Frames of the last list.

    Returns
    -------
    dict of int to KnownFrame
        By the index of the file in `raw_files`. Among files of equal content, the known frame is
        the one at the known path, else the one with the known name, else the first.
    """
    waiting: dict[str, list[KnownFrame]] = {}
    for one in known:
        waiting.setdefault(one.fingerprint, []).append(one)
    found: dict[int, KnownFrame] = {}
    rules: tuple[Callable[[RawFile, KnownFrame], bool], ...] = (
        lambda file, one: file.path == one.path,
        lambda file, one: frame_id(file.inside) == one.id,
        lambda file, one: True,
    )
    left = [place for place, file in enumerate(raw_files) if file.fingerprint in waiting]
    for rule in rules:
        for place in left:
            file = raw_files[place]
            candidates = waiting[file.fingerprint]
            chosen = [one for one in candidates if rule(file, one)][:1]
            if chosen:
                found[place] = chosen[0]
                candidates.remove(chosen[0])
        left = [place for place in left if place not in found]
    return found


def present_name(frame: Frame, folders: Iterable[str | Path]) -> str:
    """Return the present path of a frame inside its raw folder, printable.

    Parameters
    ----------
    frame : Frame
    folders : iterable of path
        Raw folders of the project.
    """
    for folder in folders:
        root = str(folder) if is_object_url(folder) else os.path.abspath(os.fspath(folder))
        if frame.path.startswith(f"{root.rstrip('/')}/"):
            return escape(frame.path[len(root.rstrip("/")) + 1 :])
    return frame.name
