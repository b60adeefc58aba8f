"""The samples that a channel is merged of: night stacks, and single subs of the other nights."""

import math
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple, Protocol

import numpy as np

from platefiles.integration.integrate_tiles import local_weights
from platefiles.integration.psf_stamps import Stamped, saturation_on_grid, width_on_grid
from platefiles.integration.tiles import Span
from platefiles.nights.night_product import NightFile
from platefiles.registration.registration_table import RegisteredSub
from platefiles.subs.calibrated_sub import Sub, SubRoom
from platelib.integration.local_weights import LocalWeights
from platelib.registration.frame_selection import absolute_weight


class Planes(NamedTuple):
    """A sample in a part of the grid, or arrays for it.

    Attributes
    ----------
    values, variances, weights : numpy.ndarray
        ``(ny, nx)`` float32; values are NaN where there is no data.
    counts, low, high : numpy.ndarray
        ``(ny, nx)`` int16: subs kept, rejected as low, rejected as high.
    flags : numpy.ndarray
        ``(ny, nx)`` uint8: 1 where there is no data, 2 beside a spike of a single sub, else 0.
    """

    values: np.ndarray
    variances: np.ndarray
    weights: np.ndarray
    counts: np.ndarray
    low: np.ndarray
    high: np.ndarray
    flags: np.ndarray

    def count_one(self) -> None:
        """Set the counts of a single sub."""
        np.not_equal(self.flags, 1, out=self.counts, casting="unsafe")
        self.low.fill(0)
        self.high.fill(0)


class Sample(Stamped, Protocol):
    """A night stack or a single sub, from which stamps of stars are cut, too.

    Attributes
    ----------
    night : str
    members : list of RegisteredSub
        The subs that it is made of.
    noise : float
        Noise of its sky where all of its subs have data, unit of the channel.
    full_weight : float
        Sum of the weights there.
    is_stack : bool
    """

    @property
    def members(self) -> list[RegisteredSub]:
        """Its subs."""

    @property
    def full_weight(self) -> float:
        """Sum of the weights."""

    @property
    def is_stack(self) -> bool:
        """Whether it is the stack of a night."""

    @property
    def night(self) -> str:
        """The night."""

    @property
    def noise(self) -> float:
        """Noise of the sky."""

    def fill(self, rows: Span, columns: Span, out: Planes, room: SubRoom) -> None:
        """Fill the sample in a part of the grid."""


@dataclass(frozen=True)
class NightStack:
    """The stack of a night.

    Attributes
    ----------
    file : NightFile
    members : list of RegisteredSub
        The used subs.
    weights : tuple of float
        Their absolute weights.
    """

    file: NightFile
    members: list[RegisteredSub]
    weights: tuple[float, ...]

    is_stack = True

    @property
    def night(self) -> str:
        """The night."""
        return self.file.night

    @property
    def noise(self) -> float:
        """Noise of the mean of skies."""
        noise = (row.facts["noise_rate"] for row in self.members)
        terms = ((weight * n) ** 2 for weight, n in zip(self.weights, noise, strict=True))
        return math.sqrt(math.fsum(terms)) / self.full_weight

    @property
    def full_weight(self) -> float:
        """Sum of the weights."""
        return math.fsum(self.weights)

    @property
    def width_px(self) -> float:
        """Median over the subs."""
        known = [width for row in self.members if (width := width_on_grid(row)) > 0]
        return float(np.median(known)) if known else math.nan

    @property
    def saturation(self) -> float:
        """The lowest level of the subs."""
        levels = ((row, self.file.levels(row.facts["id"]).saturation) for row in self.members)
        return min(saturation_on_grid(row, level) for row, level in levels)

    @cached_property
    def _images(self) -> dict[str, np.ndarray]:
        found = self.file.images("SCI", "VAR", "WEIGHT", "COUNT", "CLIPPED")
        sides = dict(zip(("low", "high"), found.pop("CLIPPED"), strict=True))
        return {name: image[0] for name, image in found.items()} | sides

    def fill(self, rows: Span, columns: Span, out: Planes, room: SubRoom) -> None:
        """Read a part of the grid."""
        place = slice(*rows), slice(*columns)
        images = self._images
        for plane, name in ((out.values, "SCI"), (out.variances, "VAR"), (out.weights, "WEIGHT")):
            np.copyto(plane, images[name][place])
        np.copyto(out.counts, images["COUNT"][place])
        np.copyto(out.low, images["low"][place])
        np.copyto(out.high, images["high"][place])
        np.isnan(out.values, out=out.flags.view(np.bool_))

    def cut(
        self, rows: Span, columns: Span, out: tuple[np.ndarray, np.ndarray], room: SubRoom
    ) -> None:
        """Read values and variances."""
        for plane, name in zip(out, ("SCI", "VAR"), strict=True):
            np.copyto(plane, self._images[name][slice(*rows), slice(*columns)])

    def read(self, rows: slice) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return values, variances and weights of rows, float32."""
        value, variance, weight = (
            self._images[name][rows].astype(np.float32) for name in ("SCI", "VAR", "WEIGHT")
        )
        return value, variance, weight


class OwnWeight(NamedTuple):
    """A single sub with its absolute weight.

    Attributes
    ----------
    row : RegisteredSub
    weight : float
        At the mean of its sky.
    local : LocalWeights or None
        That of each place; None if it is the same everywhere.
    """

    row: RegisteredSub
    weight: float
    local: LocalWeights | None


def local_weight(
    row: RegisteredSub, gain: float, weights: str, shape: tuple[int, int]
) -> OwnWeight:
    """Return a sub with its weight over the grid, as the stack of a night would weigh it.

    Parameters
    ----------
    row : RegisteredSub
    gain : float
        Electrons per ADU; 0 if unknown.
    weights : str
        As for `platelib.registration.frame_selection.absolute_weight`.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    """
    weight = absolute_weight(row.facts, weights)
    if weights == "equal":
        return OwnWeight(row, weight, None)
    return OwnWeight(row, weight, local_weights([(row, gain)], np.array([weight]), shape, False))


class SingleSub:
    """A sub that is merged on its own."""

    is_stack = False

    def __init__(self, own: OwnWeight):
        self.members, self.full_weight, self._local = [own.row], own.weight, own.local

    @property
    def night(self) -> str:
        """The night."""
        return str(self.members[0].facts["night"])

    @property
    def noise(self) -> float:
        """Noise of the sky."""
        return float(self.members[0].facts["noise_rate"])

    @property
    def width_px(self) -> float:
        """Width of the stars."""
        return width_on_grid(self.members[0])

    def fill(self, rows: Span, columns: Span, out: Planes, room: SubRoom) -> None:
        """Fill a part of the grid."""
        self._fill(rows, columns, (out.values, out.variances), out.flags, room)
        if self._local is None:
            out.weights.fill(self.full_weight)
        else:
            table = self._local.of_tile(rows, columns)
            out.weights[...] = table.plane(0, out.weights.shape)
        out.count_one()

    def cut(
        self, rows: Span, columns: Span, out: tuple[np.ndarray, np.ndarray], room: SubRoom
    ) -> None:
        """Fill values and variances."""
        self._fill(rows, columns, out, None, room)

    def _fill(
        self,
        rows: Span,
        columns: Span,
        out: tuple[np.ndarray, np.ndarray],
        flags: np.ndarray | None,
        room: SubRoom,
    ) -> None:
        raise NotImplementedError


class OpenSub(SingleSub):
    """A single sub from its raw frame."""

    def __init__(self, own: OwnWeight, sub: Sub):
        super().__init__(own)
        self._sub = sub

    @property
    def saturation(self) -> float:
        """Saturation level."""
        return saturation_on_grid(self.members[0], self._sub.saturation)

    def _fill(
        self,
        rows: Span,
        columns: Span,
        out: tuple[np.ndarray, np.ndarray],
        flags: np.ndarray | None,
        room: SubRoom,
    ) -> None:
        row = self.members[0]
        self._sub.registered(row.transform, row.levels, rows, columns, out, room, flags)


class StoredSub(SingleSub):
    """A single sub from the product of its night."""

    def __init__(self, own: OwnWeight, file: NightFile, plane: int):
        super().__init__(own)
        self._file, self._plane = file, plane

    @property
    def saturation(self) -> float:
        """Saturation level."""
        row = self.members[0]
        return saturation_on_grid(row, self._file.levels(row.facts["id"]).saturation)

    @cached_property
    def _images(self) -> dict[str, np.ndarray]:
        found = self._file.images("SCI", "VAR", "MASK")
        return {name: image[self._plane] for name, image in found.items()}

    def _fill(
        self,
        rows: Span,
        columns: Span,
        out: tuple[np.ndarray, np.ndarray],
        flags: np.ndarray | None,
        room: SubRoom,
    ) -> None:
        place = slice(*rows), slice(*columns)
        for plane, name in zip(out, ("SCI", "VAR"), strict=True):
            np.copyto(plane, self._images[name][place])
        if flags is not None:
            np.copyto(flags, self._images["MASK"][place])
