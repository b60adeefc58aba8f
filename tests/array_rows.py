"""Arrays as images and pictures whose rows are read."""

from dataclasses import dataclass

import numpy as np

from platelib.picture.pixels import PixelArray


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


class DisplayArray(PixelArray):
    """A picture whose rows are asked for inside it alone."""

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Return some rows."""
        assert 0 <= start <= stop <= self.shape[0]
        return super().rows(start, stop)
