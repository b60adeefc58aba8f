"""Reading the measures of a channel's nights back, sub by sub."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.tables import read_columns, rows_of
from platelib.detections import STAR, Mesh


@dataclass(frozen=True)
class MeasuredSub:
    """A row of ``SUBS`` with its stars and its sky.

    Attributes
    ----------
    facts : dict
        The columns of the row as plain Python values.
    stars : numpy.ndarray
        ``(n,)`` with the columns of ``platelib.detections.STAR``, brightest first.
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


def _read_night(path: str | Path) -> list[MeasuredSub]:
    facts = rows_of(read_columns(path, "SUBS"))
    columns, sky = read_columns(path, "STARS"), read_columns(path, "SKY")
    stars = np.empty(len(columns["sub"]), dtype=STAR)
    for name in STAR.names or ():
        stars[name] = columns[name]
    of_stars, of_sky = (_parts(table["sub"], len(facts)) for table in (columns, sky))
    return [
        MeasuredSub(row, stars[of_stars[number]], _mesh(sky, of_sky[number], row))
        for number, row in enumerate(facts)
    ]


def _parts(numbers: np.ndarray, count: int) -> list[slice]:
    """Rows of each sub in a table that is in the order of subs."""
    edges = np.searchsorted(numbers, np.arange(count + 1))
    return [slice(start, stop) for start, stop in zip(edges[:-1], edges[1:], strict=True)]


def _mesh(sky: dict[str, np.ndarray], part: slice, facts: dict[str, Any]) -> Mesh | None:
    if part.start == part.stop:
        return None
    shape = (int(sky["row"][part].max()) + 1, int(sky["column"][part].max()) + 1)
    level, noise = (sky[name][part].reshape(shape) for name in ("level", "noise"))
    return Mesh(level, noise, (facts["height_px"], facts["width_px"]))
