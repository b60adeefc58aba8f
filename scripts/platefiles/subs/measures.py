"""Read the measures of a channel's nights, sub by sub."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.fits.tables import read_columns, rows_of
from platefiles.subs.measured_wcs import world_map
from platelib.astrometry.tan_sip import SkyMap
from platelib.background.mesh import Mesh
from platelib.calibration.saturation_level import LostCores
from platelib.detection.star_table import FLAG_SATURATED, STAR
from platelib.numerics.neighbours import close_pairs
from platelib.registration.sub_state import SubState

_FLAG_REACH_PX = 2.83


class _Night:
    """The measures of a night; stars and skies are read on demand."""

    def __init__(self, path: str | Path):
        self._path = path
        columns = read_columns(path, "SUBS")
        self.worlds = columns.pop("world")
        self.rows = rows_of(columns)

    @cached_property
    def _stars(self) -> tuple[np.ndarray, list[slice]]:
        columns = read_columns(self._path, "STARS")
        stars = np.empty(len(columns["sub"]), dtype=STAR)
        for name in STAR.names or ():
            stars[name] = columns[name]
        return stars, _parts(columns["sub"], len(self.rows))

    @cached_property
    def _tops(self) -> tuple[dict[str, np.ndarray], list[slice]]:
        columns = read_columns(self._path, "TOPS")
        return columns, _parts(columns["sub"], len(self.rows))

    @cached_property
    def _cores(self) -> tuple[dict[str, np.ndarray], list[slice]]:
        columns = read_columns(self._path, "SATCORES")
        return columns, _parts(columns["sub"], len(self.rows))

    @cached_property
    def _sky(self) -> tuple[dict[str, np.ndarray], list[slice]]:
        columns = read_columns(self._path, "SKY")
        return columns, _parts(columns["sub"], len(self.rows))

    def stars(self, number: int) -> np.ndarray:
        """Stars of a sub, brightest first."""
        stars, parts = self._stars
        return stars[parts[number]]

    def saturated(self, number: int, level: float) -> np.ndarray:
        """Positions of the brightest pixels of a sub that reach a level, ``(n, 2)``, x and y."""
        columns, parts = self._tops
        part = parts[number]
        full = columns["value"][part] >= level
        return np.stack([columns["x"][part][full], columns["y"][part][full]], axis=1)

    def cores(self, number: int) -> LostCores:
        """Saturated cores of a sub."""
        columns, parts = self._cores
        part = parts[number]
        return LostCores(columns["x"][part], columns["y"][part], columns["radius_px"][part])

    def mesh(self, number: int) -> Mesh | None:
        """Sky of a sub."""
        columns, parts = self._sky
        part, facts = parts[number], self.rows[number]
        if part.start == part.stop:
            return None
        shape = (int(columns["row"][part].max()) + 1, int(columns["column"][part].max()) + 1)
        level, noise = (columns[name][part].reshape(shape) for name in ("level", "noise"))
        return Mesh(level, noise, (facts["height_px"], facts["width_px"]))


@dataclass(frozen=True, eq=False)
class MeasuredSub:
    """A row of ``SUBS`` with its stars and its sky.

    Attributes
    ----------
    facts : dict
        The columns of the row as plain Python values.
    """

    facts: dict[str, Any]
    _night: _Night
    _number: int

    @cached_property
    def stars(self) -> np.ndarray:
        """``(n,)`` with the columns of ``platelib.detection.star_table.STAR``, brightest first."""
        stars = self._night.stars(self._number)
        level = self.facts["saturation_adu"]
        if not len(stars) or not level < self._night.rows[self._number]["saturation_adu"]:
            return stars
        places = self._night.saturated(self._number, level)
        centres = np.stack([stars["x"], stars["y"]], axis=1)
        near, _ = close_pairs(centres, places.astype(np.float64), _FLAG_REACH_PX)
        stars = stars.copy()
        stars["flags"][near] |= FLAG_SATURATED
        return stars

    def with_saturation(self, level: float, pile_up: float) -> "MeasuredSub":
        """Return the sub with another saturation level; stars that reach it are flagged.

        Parameters
        ----------
        level : float
            Saturation level, ADU of the raw frame; NaN if unknown.
        pile_up : float
            Value at which pixels pile up, ADU; 0 without pile-up.
        """
        facts = {"saturation_adu": level, "pile_up_adu": pile_up}
        return replace(self, facts=self.facts | facts)

    @cached_property
    def mesh(self) -> Mesh | None:
        """The sky; None if the sub could not be measured."""
        return self._night.mesh(self._number)

    @property
    def id(self) -> str:
        """Id of the sub."""
        return self.facts["id"]

    @property
    def usable(self) -> bool:
        """Whether the sub could be measured."""
        return self.facts["state"] == SubState.MEASURED

    @property
    def good(self) -> bool:
        """Whether the sub could be measured and shows stars."""
        return self.usable and self.facts["stars"] > 0

    @property
    def condition(self) -> str:
        """State of the sub in words."""
        return SubState.WITHOUT_STARS if self.usable and not self.good else self.facts["state"]

    @cached_property
    def good_stars(self) -> np.ndarray:
        """Stars without any flag."""
        return self.stars[self.stars["flags"] == 0]

    @cached_property
    def saturated_stars(self) -> np.ndarray:
        """Stars with saturated pixels, regardless of other flags."""
        return self.stars[(self.stars["flags"] & FLAG_SATURATED) > 0]

    @cached_property
    def cores(self) -> LostCores:
        """Saturated cores of a calibrated frame, found by the profiles of its stars."""
        return self._night.cores(self._number)

    @cached_property
    def world(self) -> SkyMap | None:
        """World coordinates of a calibrated frame; None if its header has none."""
        return world_map(self._night.worlds[self._number])


def read_measures(paths: Iterable[str | Path]) -> list[MeasuredSub]:
    """Read the subs of several nights, in the order of the files and of their rows."""
    nights = [_Night(path) for path in paths]
    return [
        MeasuredSub(row, night, number) for night in nights for number, row in enumerate(night.rows)
    ]


def _parts(numbers: np.ndarray, count: int) -> list[slice]:
    """Return the rows of each sub in a table sorted by sub."""
    edges = np.searchsorted(numbers, np.arange(count + 1))
    return [slice(start, stop) for start, stop in zip(edges[:-1], edges[1:], strict=True)]
