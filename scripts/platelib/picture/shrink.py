"""Pixels of pictures to be read in strips, and smaller pictures, averaged in linear light."""

from dataclasses import dataclass

import numpy as np
from PIL import Image

from platelib.colour.srgb import encode, light_of_levels
from platelib.picture.reduced import Pixels

_FULL = 65535
_ROWS = 256


@dataclass(frozen=True)
class PixelArray:
    """A picture in memory.

    Attributes
    ----------
    pixels : numpy.ndarray
        ``(ny, nx, 3)`` uint16 sRGB display values.
    """

    pixels: np.ndarray

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        ny, nx = self.pixels.shape[:2]
        return ny, nx

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Return rows of the array."""
        return self.pixels[start:stop]


def shrunk_to(pixels: Pixels, longest_px: int | None) -> Pixels:
    """Make a picture smaller by averaging its light over the area of each new pixel.

    Parameters
    ----------
    pixels : Pixels
    longest_px : int or None
        Pixels of the longer side; pictures are never enlarged, and None leaves them as they are.

    Returns
    -------
    Pixels
    """
    ny, nx = pixels.shape
    if longest_px is None or longest_px >= max(ny, nx):
        return pixels
    scale = longest_px / max(ny, nx)
    size = max(1, round(nx * scale)), max(1, round(ny * scale))
    light_of = light_of_levels().astype(np.float32)
    result = np.empty((size[1], size[0], 3), dtype=np.uint16)
    light = np.empty((ny, nx), dtype=np.float32)
    for index in range(3):
        for start in range(0, ny, _ROWS):
            rows = pixels.rows(start, min(start + _ROWS, ny))
            light[start : start + len(rows)] = light_of[rows[..., index]]
        small = Image.fromarray(light).resize(size, Image.Resampling.BOX)
        display = encode(np.clip(np.asarray(small), 0, 1))
        result[..., index] = np.rint(display * _FULL).astype(np.uint16)
    return PixelArray(result)
