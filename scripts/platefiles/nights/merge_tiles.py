"""Merge night stacks and single subs to a channel, a tile of the grid at a time."""

import math
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from platefiles.integration.integrate_tiles import Combined, common_sky, rejection_of
from platefiles.integration.psf_stamps import CoreTally, fit_psf_kernels
from platefiles.integration.tiles import MERGED_BYTES_A_SAMPLE, Span, Tiling, tiling
from platefiles.nights.samples import NightStack, Planes, Sample
from platefiles.settings.integration import Stacking
from platefiles.subs.calibrated_sub import SubRoom
from platelib.integration.psf_comparison import comparison
from platelib.integration.psf_kernels import no_kernels
from platelib.night_merge.merge import merge
from platelib.night_merge.offsets import measure
from platelib.night_merge.samples import NightSamples

_FEWEST_WITH_PARTNERS = 2


@dataclass(frozen=True)
class MergedTile(Combined):
    """The samples of a tile and its margin, and what they are merged to.

    Attributes
    ----------
    samples : NightSamples
    """

    samples: NightSamples


class NightMerge:
    """All inputs of the merging of a tile except its position.

    Parameters
    ----------
    samples : sequence of Sample
        In a fixed order.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    settings : Stacking
    stars : numpy.ndarray
        ``(s, 2)`` float64: x and y of stars on the grid, brightest first, for the PSF kernels.
    threads : int
        For the fit of the kernels; it changes no bit.
    """

    def __init__(
        self,
        samples: Sequence[Sample],
        shape: tuple[int, int],
        settings: Stacking,
        stars: np.ndarray,
        threads: int = 1,
    ):
        self._samples, self._shape = samples, shape
        self._sky = common_sky([row for sample in samples for row in sample.members])
        self._rejection = rejection_of(settings)
        self._noise = np.array([sample.noise for sample in samples])
        self._full_weight = np.array([sample.full_weight for sample in samples])
        rejects = settings.clip != "none"
        self._compared = comparison(
            fit_psf_kernels(samples, stars, shape, self._sky, threads, _FEWEST_WITH_PARTNERS)
            if rejects
            else no_kernels(len(samples)),
            np.array([sample.saturation for sample in samples]),
            settings.clip_tolerance,
        )
        self._floors = measure(len(samples), shape, self._read) if rejects else None
        self._cores = CoreTally(stars, shape)
        self._grow_px = settings.grow_px
        self._halo = (self._grow_px + 1 if self._grow_px else 0) + self._compared.margin
        self._of_thread = threading.local()

    def _read(self, number: int, rows: slice) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
        """Return rows of a stack, of which systematic differences are measured."""
        sample = self._samples[number]
        return sample.read(rows) if isinstance(sample, NightStack) else None

    def tiling(self, threads: int, memory_mb: float = math.inf) -> Tiling:
        """Choose the tile size for the available memory; see `platefiles.integration.tiles`."""
        source: Callable[[int, int], int] | None = None
        if all(sample.is_stack for sample in self._samples):
            source = _nothing
        return tiling(
            len(self._samples), self._shape, threads, memory_mb, source, self._halo,
            MERGED_BYTES_A_SAMPLE,
        )  # fmt: skip

    def stack(self, rows: Span, columns: Span) -> MergedTile:
        """Read the samples in a tile, reject outliers and average the others.

        Parameters
        ----------
        rows, columns : tuple of int
            First row or column of the grid and the one after the last.

        Returns
        -------
        MergedTile
            Its arrays are overwritten by the thread's next tile.
        """
        if not hasattr(self._of_thread, "room"):
            self._of_thread.room = SubRoom()
        room: SubRoom = self._of_thread.room
        halo, (ny, nx) = self._halo, self._shape
        top, bottom = max(0, rows[0] - halo), min(ny, rows[1] + halo)
        left, right = max(0, columns[0] - halo), min(nx, columns[1] + halo)
        size = (len(self._samples), bottom - top, right - left)
        kinds = (*(np.float32,) * 3, *(np.int16,) * 3, np.uint8)
        planes = Planes(
            *(
                room.plane(f"of {name}", size, kind)
                for name, kind in zip(Planes._fields, kinds, strict=True)
            )
        )
        place = (top, bottom), (left, right)
        for i, sample in enumerate(self._samples):
            sample.fill(*place, Planes(*(plane[i] for plane in planes)), room)
        inner = (slice(rows[0] - top, rows[1] - top), slice(columns[0] - left, columns[1] - left))
        samples = NightSamples(*planes[:-1])
        floors = None if self._floors is None else self._floors.of_tile(*place)
        merged = merge(
            samples, planes.flags, self._noise, self._full_weight, self._sky, self._rejection,
            self._compared, floors, self._grow_px, inner,
        )  # fmt: skip
        cores = self._cores.count(planes.flags, inner, (rows[0], columns[0]))
        return MergedTile(planes.flags, inner, merged, cores, samples)


def _nothing(rows: int, columns: int) -> int:
    return 0
