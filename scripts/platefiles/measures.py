"""Reading the measures of a channel's nights back, sub by sub."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.fitsfile import read_table
from platelib.stars import Mesh


@dataclass(frozen=True)
class MeasuredSub:
    """A row of ``SUBS`` with its stars and its sky.

    Attributes
    ----------
    facts : dict
        The columns of the row as plain Python values.
    stars : numpy.ndarray
        ``(n,)`` with the columns of ``platelib.stars.STAR``, brightest first.
    mesh : Mesh or None
        None where the sub could not be measured.
    """

    facts: dict[str, Any]
    stars: np.ndarray
    mesh: Mesh | None

    @property
    def id(self) -> str:
        """Id of the sub."""
        return self.facts["id"]

    @property
    def usable(self) -> bool:
        """Whether the sub could be measured."""
        return self.facts["state"] == "measured"

    @property
    def good(self) -> bool:
        """Whether the sub could be measured and shows stars."""
        return self.usable and self.facts["stars"] > 0

    @property
    def condition(self) -> str:
        """State of the sub in words."""
        return "without stars" if self.usable and not self.good else self.facts["state"]

    @property
    def good_stars(self) -> np.ndarray:
        """Stars without any flag."""
        return self.stars[self.stars["flags"] == 0]


def read_measures(paths: Iterable[str | Path]) -> list[MeasuredSub]:
    """Read the subs of several nights, in the order of the files and of their rows."""
    return [sub for path in paths for sub in _read_night(path)]


def counted_states(subs: Iterable[MeasuredSub]) -> str:
    """Say how many subs are in which state, such as ``3 unreadable, 2 without stars``."""
    counts = Counter(sub.condition for sub in subs)
    return ", ".join(f"{number} {condition}" for condition, number in sorted(counts.items()))


def _read_night(path: str | Path) -> list[MeasuredSub]:
    subs = read_table(path, "SUBS")
    stars = read_table(path, "STARS").as_array()
    sky = read_table(path, "SKY").as_array()
    measured = []
    for number, row in enumerate(subs):
        facts = {name: _plain(row[name]) for name in subs.colnames}
        cells = sky[sky["sub"] == number]
        measured.append(MeasuredSub(facts, stars[stars["sub"] == number], _mesh(cells, facts)))
    return measured


def _mesh(cells: np.ndarray, facts: dict[str, Any]) -> Mesh | None:
    if not len(cells):
        return None
    shape = (int(cells["row"].max()) + 1, int(cells["column"].max()) + 1)
    level, noise = (np.asarray(cells[name]).reshape(shape) for name in ("level", "noise"))
    return Mesh(level, noise, (facts["height_px"], facts["width_px"]))


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else str(value)
