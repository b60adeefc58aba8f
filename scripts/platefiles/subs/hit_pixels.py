"""Pixels of single subs with cosmic rays: a short list instead of a plane."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from platefiles.fits.tables import read_columns
from platelib.numerics.mask_bits import BAD
from platelib.numerics.pieces import pieces_of


@dataclass(frozen=True)
class HitPixels:
    """Pixels of one sub, in the order of rows.

    Attributes
    ----------
    x, y : numpy.ndarray
        ``(n,)`` int32, 0-based raw pixels.
    """

    x: np.ndarray
    y: np.ndarray

    def __len__(self) -> int:
        """Return the number of pixels."""
        return len(self.x)

    @classmethod
    def of(cls, mask: np.ndarray) -> "HitPixels":
        """Return the pixels set in a mask ``(ny, nx)``."""
        y, x = pieces_of(mask).pixels()
        return cls(x, y)

    def with_others(self, others: "HitPixels") -> "HitPixels":
        """Return the union with other pixels."""
        places = np.stack([np.append(self.y, others.y), np.append(self.x, others.x)], axis=1)
        y, x = np.unique(places, axis=0).T
        return HitPixels(x.astype(np.int32), y.astype(np.int32))

    def mark(
        self, variance: np.ndarray, mask: np.ndarray, first_row: int, first_column: int = 0
    ) -> None:
        """Mark the pixels as bad, in place, like bad pixels of `correction.calibrate`.

        Parameters
        ----------
        variance : numpy.ndarray
            ``(m, n)`` float32.
        mask : numpy.ndarray
            ``(m, n)`` uint8.
        first_row, first_column : int
            Position of ``mask[0, 0]`` in the raw frame.
        """
        first, last = np.searchsorted(self.y, (first_row, first_row + len(mask)))
        y, x = self.y[first:last] - first_row, self.x[first:last] - first_column
        inside = (x >= 0) & (x < mask.shape[1])
        y, x = y[inside], x[inside]
        mask[y, x] |= BAD
        variance[y, x] = 0


NO_HITS = HitPixels(np.zeros(0, dtype=np.int32), np.zeros(0, dtype=np.int32))


def read_hit_pixels(paths: Iterable[str | Path]) -> dict[str, HitPixels]:
    """Read the cosmic rays in the subs of several nights, by id of the sub."""
    found = {}
    for path in paths:
        ids, rays = read_columns(path, "SUBS")["id"], read_columns(path, "RAYS")
        edges = np.searchsorted(rays["sub"], np.arange(len(ids) + 1))
        for number, sub_id in enumerate(ids.tolist()):
            part = slice(edges[number], edges[number + 1])
            found[sub_id] = HitPixels(rays["x"][part], rays["y"][part])
    return found
