"""What measuring a sub yields: a mesh of its sky and a list of its stars."""

from dataclasses import dataclass

import numpy as np

CORE_SHARE = 0.4
"""Radius of the aperture for the cores of stars, in units of that for their flux."""

FLAG_SATURATED, FLAG_MASKED, FLAG_SHAPE = 1, 2, 4

STAR = np.dtype(
    [
        ("x", "f8"),
        ("y", "f8"),
        ("flux", "f8"),
        ("flux_error", "f8"),
        ("core", "f8"),
        ("peak", "f8"),
        ("fwhm", "f8"),
        ("ellipticity", "f8"),
        ("flags", "i2"),
    ]
)
"""A star: 0-based position in raw pixels, flux and error in the unit of the image, flux in
`CORE_SHARE` of the aperture's radius, peak above the sky, FWHM in pixels, ellipticity ``1 - b/a``,
flags (1 saturated, 2 bad pixel inside, 4 shape unlike the other stars of the sub)."""


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
