"""The background mesh of a sub."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Mesh:
    """Sky level and noise in a mesh of cells.

    Attributes
    ----------
    level, noise : numpy.ndarray
        ``(my, mx)`` float32, in the unit of the image; NaN where a cell has no data.
    shape : tuple of int
        ``(ny, nx)`` of the image.
    """

    level: np.ndarray
    noise: np.ndarray
    shape: tuple[int, int]

    def centres(self) -> tuple[np.ndarray, np.ndarray]:
        """Return x and y, ``(my, mx)`` float64, of the centres of the cells."""
        my, mx = self.level.shape
        y = (np.arange(my) + 0.5) * self.shape[0] / my - 0.5
        x = (np.arange(mx) + 0.5) * self.shape[1] / mx - 0.5
        return np.meshgrid(x, y)
