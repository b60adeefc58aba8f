"""Pointers to raw frames in object storage, and the folder of copies that jobs fetch.

A link in ``links/`` leads to the raw file itself, or for a frame in object storage to its pointer,
a small file that is enough for a job on any machine to fetch the frame: see
`platefiles.transfers.fetch`.
"""

import os
from collections.abc import Iterable
from pathlib import Path

from platefiles.core.atomic_write import write_if_changed
from platefiles.core.hashing import canonical
from platefiles.core.object_store import is_object_url
from platefiles.frames.frame import Frame
from platefiles.transfers.fetch import COPIES, POINTER_ENDING, copy_name

POINTERS = "objects"
"""Folder of the pointers, below a project's results."""


def link_target(frame: Frame) -> str:
    """Return the target of a frame's link: the raw file, or the pointer relative to ``links/``."""
    return f"../{POINTERS}/{_name(frame)}" if is_object_url(frame.path) else frame.path


def write_pointers(frames: Iterable[Frame], results: str | Path) -> int:
    """Write a pointer for each used frame in object storage into the results of a project.

    Other pointers and copies of frames no longer used are removed.

    Parameters
    ----------
    frames : iterable of Frame
        The list of frames.
    results : path
        Folder of the project's results.

    Returns
    -------
    int
        Number of files written or removed.
    """
    folder, copies = Path(results, POINTERS), Path(results, COPIES)
    used = [f for f in frames if f.role != "unused" and is_object_url(f.path)]
    changes = 0
    for frame in used:
        told = {"url": frame.path, "size_bytes": frame.size_bytes, "fingerprint": frame.fingerprint}
        changes += write_if_changed(folder / _name(frame), canonical(told) + "\n")
    changes += _remove(folder, POINTER_ENDING, {_name(frame) for frame in used})
    wanted = {copy_name(_name(frame), frame.fingerprint) for frame in used}
    return changes + _remove(copies, ".fits", wanted)


def _name(frame: Frame) -> str:
    return f"{frame.id}{POINTER_ENDING}"


def _remove(folder: Path, ending: str, wanted: set[str]) -> int:
    names = os.listdir(folder) if folder.is_dir() else []
    stale = [name for name in names if name.endswith(ending) and name not in wanted]
    for name in stale:
        Path(folder, name).unlink(missing_ok=True)
    return len(stale)
