"""Arrays as images and pictures whose rows are read."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class ArrayRows:
    """The rows of an array ``(n, ny, nx)``; those that are handed out may be changed."""

    planes: np.ndarray

    @property
    def shape(self) -> tuple[int, ...]:
        """Return number of planes, rows and columns."""
        return self.planes.shape

    def __call__(self, start: int, stop: int) -> np.ndarray:
        """Return rows of all planes."""
        assert 0 <= start <= stop <= self.shape[1]
        return self.planes[:, start:stop].copy()


@dataclass(frozen=True)
class DisplayArray:
    """The rows of a finished picture, ``(ny, nx, 3)`` uint16."""

    pixels: np.ndarray

    @property
    def shape(self) -> tuple[int, ...]:
        """Return number of rows and columns."""
        return self.pixels.shape[:2]

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Return some rows."""
        assert 0 <= start <= stop <= self.shape[0]
        return self.pixels[start:stop]
