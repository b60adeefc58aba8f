"""The lock file, which pins a project's grid and photometric references."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import yaml

from platefiles.config.yaml_file import YamlError, read_yaml_once
from platefiles.core.errors import UserError
from platefiles.fits.header_cards import MAX_PIXELS, MAX_SIDE_PX

REMEDY = "restore a copy of it, or delete it to choose the grid again"
"""Remedy for a changed lock file."""

NEW_GRID = "[new grid]"
"""Mark in the log of `choose_reference` if there was no lock file before."""

NEW_GRID_LINE = f"{NEW_GRID} there was no lock file"
"""The line with that mark."""

_HEAD = """\
# Written by the first run of this project and read by every later one: adding subs never moves
# the grid or the brightness scale. Delete this file to choose both again.
"""

_CROP_HEAD = """\
# Columns and rows of the grid, from 1, that pictures show of a channel; later subs do not move
# them. Delete the lines of crop to choose them again from all nights.
"""


class Part(NamedTuple):
    """A part of the grid: first and last column and row, counted from 1."""

    columns: tuple[int, int]
    rows: tuple[int, int]


@dataclass(frozen=True)
class Lock:
    """The pins of a lock file.

    Attributes
    ----------
    reference : str
        Id of the reference sub, whose raw pixels are the grid.
    name : str
        File of the reference sub, for readers.
    width_px, height_px : int
        Size of the grid.
    photometry : dict of str to str
        Id of the photometric reference sub, by channel.
    crop : dict of str to Part or None
        The part of the grid that pictures show of a channel, by channel; None if the file does not
        have it, so that it has to be chosen.
    """

    reference: str
    name: str
    width_px: int
    height_px: int
    photometry: dict[str, str]
    crop: dict[str, Part] | None = None


def read_lock(path: Path) -> Lock | None:
    """Read a lock file; None if there is none.

    Raises
    ------
    UserError
        If the file does not have the form that a run writes.
    """
    if not path.exists():
        return None
    try:
        data = read_yaml_once(path).data
        lock = Lock(
            reference=str(data["grid"]["reference"]),
            name=str(data["grid"]["name"]),
            width_px=int(data["grid"]["width_px"]),
            height_px=int(data["grid"]["height_px"]),
            photometry={str(k): str(v) for k, v in data["photometry"].items()},
            crop=None if data.get("crop") is None else _read_crop(data["crop"]),
        )
        _check_size(lock)
        return lock
    except (YamlError, KeyError, TypeError, ValueError, AttributeError) as error:
        msg = f"{path}: is not a readable lock file; {REMEDY}"
        raise UserError(msg) from error


def size_problem(path: Path, lock: Lock, width_px: int, height_px: int) -> str:
    """Return an error if the grid of a lock file differs in size from its reference.

    Parameters
    ----------
    path : Path
        The lock file.
    lock : Lock
        Its content.
    width_px, height_px : int
        Size of that sub.

    Returns
    -------
    str
        A sentence with file, line and remedy; empty if the sizes agree.
    """
    sizes = {"width_px": (lock.width_px, width_px), "height_px": (lock.height_px, height_px)}
    for key, (pinned, present) in sizes.items():
        if pinned != present:
            where = read_yaml_once(path).where(["grid", key])
            return (
                f"{where}: grid.{key}: the grid has {pinned} pixels "
                f"and the sub that it is pinned to, {lock.name}, has {present}; restore the "
                f"first {path.name}, or delete it to choose the grid again"
            )
    return ""


def _read_crop(data: Mapping[str, Mapping[str, Sequence[int]]]) -> dict[str, Part]:
    parts = {}
    for channel, sides in data.items():
        (left, right), (bottom, top) = (map(int, sides[key]) for key in Part._fields)
        parts[str(channel)] = Part((left, right), (bottom, top))
    return parts


def _check_size(lock: Lock) -> None:
    sides = (lock.width_px, lock.height_px)
    if min(sides) < 1 or max(sides) > MAX_SIDE_PX or lock.width_px * lock.height_px > MAX_PIXELS:
        msg = "no size of a grid"
        raise ValueError(msg)
    for part in (lock.crop or {}).values():
        for first, last in part:
            if not 1 <= first <= last <= MAX_SIDE_PX:
                msg = "no part of the grid"
                raise ValueError(msg)


def pinned_words(lock: Lock) -> str:
    """Return the pins, for the log."""
    parts = {name: (part.columns, part.rows) for name, part in (lock.crop or {}).items()}
    return f"grid: {lock.reference}; photometry: {lock.photometry}; crop: {parts}"


def lock_text(lock: Lock) -> str:
    """Return the content of a lock file."""
    grid = {
        "reference": lock.reference,
        "name": lock.name,
        "width_px": lock.width_px,
        "height_px": lock.height_px,
    }
    text = _HEAD + _dumped({"grid": grid})
    if lock.crop is not None:
        # Before the references: of a truncated file, the crop is not lost alone.
        parts = {
            name: {key: list(side) for key, side in part._asdict().items()}
            for name, part in lock.crop.items()
        }
        text += _CROP_HEAD + _dumped({"crop": parts}, default_flow_style=None)
    return text + _dumped({"photometry": lock.photometry})


def _dumped(data: Any, **style: Any) -> str:
    return yaml.safe_dump(data, sort_keys=False, allow_unicode=True, **style)
