"""Pictures whose rows are read as they are needed, row 0 at the bottom."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np


class Pixels(Protocol):
    """A picture whose rows are read as they are needed.

    Attributes
    ----------
    shape : tuple of int
        ``(ny, nx)``.
    """

    @property
    def shape(self) -> tuple[int, int]:
        """Return number of rows and columns."""

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Return ``(stop - start, nx, 3)`` uint16 sRGB display values."""


@dataclass(frozen=True)
class PixelArray:
    """A picture in memory.

    Attributes
    ----------
    pixels : numpy.ndarray
        ``(ny, nx, 3)`` uint16 or uint8 sRGB display values; a fourth colour is ignored.
    """

    pixels: np.ndarray

    @property
    def shape(self) -> tuple[int, int]:
        """Number of rows and columns."""
        ny, nx = self.pixels.shape[:2]
        return ny, nx

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Return ``(stop - start, nx, 3)`` uint16 display values."""
        rows = self.pixels[start:stop, :, :3]
        return np.multiply(rows, 257, dtype=np.uint16) if rows.dtype == np.uint8 else rows


@dataclass(frozen=True)
class PixelsPart:
    """Some rows and columns of a picture.

    Attributes
    ----------
    whole : Pixels
    part : tuple of slice
        Rows and columns.
    """

    whole: Pixels
    part: tuple[slice, slice]

    @property
    def shape(self) -> tuple[int, int]:
        """Number of rows and columns."""
        down, across = self.part
        return down.stop - down.start, across.stop - across.start

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Return ``(stop - start, nx, 3)`` uint16 sRGB display values."""
        down, across = self.part
        return self.whole.rows(down.start + start, down.start + stop)[:, across]
