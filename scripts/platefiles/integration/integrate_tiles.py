"""Integrate the subs of a channel: open, calibrate, resample, reject and average."""

import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platefiles.integration.kept_rows import KeptRows
from platefiles.integration.psf_stamps import CoreTally, StampedSub, fit_psf_kernels
from platefiles.integration.tiles import Span, Tiling, kept_bytes, tiling
from platefiles.registration.registration_table import RegisteredSub
from platefiles.settings.integration import Stacking
from platefiles.subs.calibrated_sub import Sub, SubRoom, source_bytes
from platelib.integration.clipped_average import clipped_average
from platelib.integration.local_weights import LocalWeights, WeightTable, constant_weights
from platelib.integration.psf_comparison import comparison
from platelib.integration.psf_kernels import no_kernels
from platelib.integration.rejection import Rejection
from platelib.integration.weighted_mean import Average
from platelib.night_merge.limits import night_limits
from platelib.registration.frame_selection import absolute_weight


@dataclass(frozen=True)
class Combined:
    """A tile of the grid, combined of samples: subs, or the stacks of nights.

    Attributes
    ----------
    flags : numpy.ndarray
        ``(n, ny, nx)`` uint8, see `platelib.integration.rejection.reject`; with a margin.
    inner : tuple of slice
        Position of the tile in a plane of samples.
    average : Average
        Average of the kept samples of the tile.
    cores : numpy.ndarray
        ``(n, 2)`` int64: pixels of star cores with data in the tile, and rejected ones.
    """

    flags: np.ndarray
    inner: tuple[slice, slice]
    average: Average
    cores: np.ndarray

    @property
    def tally(self) -> np.ndarray:
        """``(n, 3)``: pixels of each sample without data, rejected as low, rejected as high."""
        return self.average.tally

    @property
    def planes(self) -> dict[str, np.ndarray]:
        """Images of the tile, by name."""
        result = self.average
        return {
            "SCI": result.mean,
            "VAR": result.variance,
            "WEIGHT": result.weight,
            "COUNT": result.count,
            "CLIPPED": np.stack([result.low, result.high]),
        }


@dataclass(frozen=True)
class Stack(Combined):
    """The samples of a tile and its margin, and what they are combined to.

    Attributes
    ----------
    values, variances : numpy.ndarray
        ``(n, ny, nx)`` float32, in the unit of the channel; NaN = no data.
    weights : WeightTable
        Of the subs, in a plane.
    """

    values: np.ndarray
    variances: np.ndarray
    weights: WeightTable


class Integration:
    """All inputs of the integration of a tile except its position.

    Parameters
    ----------
    subs : sequence of (RegisteredSub, Sub)
        Those that are used.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    settings : Stacking
    stars : numpy.ndarray
        ``(s, 2)`` float64: x and y of stars on the grid, brightest first, for the PSF kernels.
    threads : int
        For the fit of the kernels; it changes no bit.
    absolute : bool
        Whether the subs are those of a night that is merged with others: weights are those of each
        sub alone, and limits those for few subs.
    """

    def __init__(
        self,
        subs: Sequence[tuple[RegisteredSub, Sub]],
        shape: tuple[int, int],
        settings: Stacking,
        stars: np.ndarray,
        threads: int = 1,
        absolute: bool = False,
    ):
        self._subs, (self._ny, self._nx) = subs, shape
        rows = [row for row, _ in subs]
        self._sky = common_sky(rows)
        rejection = rejection_of(settings)
        self._rejection = night_limits(rejection, len(subs)) if absolute else rejection
        self._weights = np.array(
            [
                absolute_weight(row.facts, settings.weights) if absolute else row.facts["weight"]
                for row in rows
            ]
        )
        self._noise = np.array([row.facts["noise_rate"] for row in rows])
        stamped = [StampedSub(*pair) for pair in subs]
        rejects = settings.clip != "none"
        self._compared = comparison(
            fit_psf_kernels(stamped, stars, shape, self._sky, threads)
            if rejects
            else no_kernels(len(subs)),
            np.array([one.saturation for one in stamped]),
            settings.clip_tolerance,
        )
        follow_noise = settings.weights != "equal"
        gains = [(row, sub.detector.gain) for row, sub in subs]
        self._local = (
            local_weights(gains, self._weights, shape, not absolute) if follow_noise else None
        )
        self._cores = CoreTally(stars, shape)
        self._grow_px = settings.grow_px
        # Rejections beside the tile may grow into it, and need their own surroundings.
        self._halo = (self._grow_px + 1 if self._grow_px else 0) + self._compared.margin
        self._kept = KeptRows()
        self._of_thread = threading.local()

    def tiling(self, threads: int, memory_mb: float = math.inf) -> Tiling:
        """Choose the tile size for the available memory.

        Parameters
        ----------
        threads : int
            Number of tiles processed at a time.
        memory_mb : float
            Private memory limit of the job, MB.
        """
        middle = (self._ny // 2, self._nx // 2)
        transforms = [row.transform for row, _ in self._subs]

        def of_source(rows: int, columns: int) -> int:
            return source_bytes(transforms, middle, rows, columns)

        shape = (self._ny, self._nx)
        self._kept = KeptRows(kept_bytes(threads, memory_mb), self._nx)
        return tiling(len(self._subs), shape, threads, memory_mb, of_source, self._halo)

    def stack(self, rows: Span, columns: Span) -> Stack:
        """Calibrate and resample the subs in a tile, reject outliers and average the others.

        Parameters
        ----------
        rows, columns : tuple of int
            First row or column of the grid and the one after the last.

        Returns
        -------
        Stack
            Its arrays are overwritten by the thread's next tile.
        """
        if not hasattr(self._of_thread, "room"):
            self._of_thread.room = SubRoom()
        room: SubRoom = self._of_thread.room
        halo = self._halo
        top, bottom = max(0, rows[0] - halo), min(self._ny, rows[1] + halo)
        left, right = max(0, columns[0] - halo), min(self._nx, columns[1] + halo)
        size = (len(self._subs), bottom - top, right - left)
        values, variances = (room.plane(name, size, np.float32) for name in ("stack", "spread"))
        flags = room.plane("flags", size, np.uint8)
        place = (top, bottom), (left, right)
        planes = values, variances, flags
        known = self._kept.fill(columns, top, planes)
        new = (top + known, bottom), (left, right)
        for i, (row, sub) in enumerate(self._subs if new[0][0] < bottom else ()):
            value, variance, flag = (plane[i, known:] for plane in planes)
            sub.registered(row.transform, row.levels, *new, (value, variance), room, flag)
        if rows[1] < self._ny:
            shared = max(rows[1] - halo - top, 0)
            self._kept.keep(columns, top + shared, [plane[:, shared:] for plane in planes])
        inner = (slice(rows[0] - top, rows[1] - top), slice(columns[0] - left, columns[1] - left))
        local = self._local
        weights = constant_weights(self._weights) if local is None else local.of_tile(*place)
        average = clipped_average(
            values, variances, self._noise, self._sky, self._rejection, weights, flags,
            self._grow_px, inner, self._compared,
        )  # fmt: skip
        cores = self._cores.count(flags, inner, (rows[0], columns[0]))
        return Stack(flags, inner, average, cores, values, variances, weights)


def rejection_of(settings: Stacking) -> Rejection:
    """Return the rejection that a recipe asks for."""
    return Rejection(
        settings.clip,
        settings.clip_low,
        settings.clip_high,
        settings.max_iterations,
        settings.clip_tolerance,
        settings.esd_alpha,
    )


def local_weights(
    subs: Sequence[tuple[RegisteredSub, float]],
    weights: np.ndarray,
    shape: tuple[int, int],
    common: bool,
) -> LocalWeights:
    """Return weights that follow the skies of subs.

    Parameters
    ----------
    subs : sequence of (RegisteredSub, float)
        With the gain of each, electrons per ADU; 0 if unknown.
    weights : numpy.ndarray
        ``(n,)``: weights at the mean of each sub's sky.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    common : bool
        Whether they follow the differences between the skies of these subs, or the difference of
        each from the photometric reference.
    """
    photons = [
        row.facts["scale"]
        * row.facts["excess"]
        * (1.0 if gain > 0 else row.facts["light_variance"])
        for row, gain in subs
    ]
    skies = [row.levels.sky for row, _ in subs]
    noise = np.array([row.facts["noise_rate"] for row, _ in subs])
    return LocalWeights(weights, noise, np.array(photons), skies, shape, common)


def common_sky(rows: Sequence[RegisteredSub]) -> float:
    """Return the sky of subs after levelling, unit of the channel: the reference's."""
    return float(np.median([_sky_after(row) for row in rows]))


def _sky_after(row: RegisteredSub) -> float:
    facts = row.facts
    return facts["sky_rate"] * facts["factor"] - float(facts["sky_difference"][0])
