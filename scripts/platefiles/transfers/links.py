"""Links with safe names to raw files, the only way in which raw paths reach jobs."""

import os
from collections.abc import Iterable
from pathlib import Path

from platefiles.core.errors import UserError
from platefiles.core.safe_names import escape
from platefiles.frames.frame import Frame
from platefiles.transfers.pointers import link_target


def link_name(frame: Frame) -> str:
    """Return the file name of the link to a frame: its id and the extension of its compression."""
    ending = os.path.splitext(frame.path)[1].lower()
    return f"{frame.id}.fits{ending if ending in ('.fz', '.gz') else ''}"


def make_links(frames: Iterable[Frame], folder: str | Path) -> int:
    """Update a folder of links to contain one link for each used frame and no other link.

    Correct links are kept; files other than links are never touched.

    Parameters
    ----------
    frames : iterable of Frame
        The list of frames.
    folder : path
        Made if needed.

    Returns
    -------
    int
        Number of links made or removed.

    Raises
    ------
    UserError
        If a file other than a link has the name of a link.
    """
    wanted = {link_name(frame): link_target(frame) for frame in frames if frame.role != "unused"}
    folder = os.fspath(folder)
    os.makedirs(folder, exist_ok=True)
    with os.scandir(folder) as entries:
        there = {entry.name: entry.is_symlink() for entry in entries}
    changes = 0
    for name, is_link in sorted(there.items()):
        if is_link and name not in wanted:
            os.unlink(os.path.join(folder, name))
            changes += 1
    for name, target in sorted(wanted.items()):
        changes += _link(os.path.join(folder, name), target, there.get(name))
    return changes


def _link(path: str, target: str, is_link: bool | None) -> bool:
    if is_link is False:
        msg = f"{escape(path)} is in the way of a link to {escape(target)}: move it elsewhere"
        raise UserError(msg)
    if is_link and os.readlink(path) == target:
        return False
    fresh = f"{path}.{os.getpid()}.part"
    os.symlink(target, fresh)
    os.replace(fresh, path)
    return True
