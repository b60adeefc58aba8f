"""Smaller pictures, averaged in linear light."""

import numpy as np
from PIL import Image

from platelib.colour.srgb import encode, light_of_levels

_FULL = 65535


def shrunk_to(pixels: np.ndarray, longest_px: int | None) -> np.ndarray:
    """Make a picture smaller by averaging its light over the area of each new pixel.

    Parameters
    ----------
    pixels : numpy.ndarray
        ``(ny, nx, 3)`` uint16 sRGB display values.
    longest_px : int or None
        Pixels of the longer side; pictures are never enlarged, and None leaves them as they are.

    Returns
    -------
    numpy.ndarray
        ``(my, mx, 3)`` uint16 sRGB display values.
    """
    ny, nx = pixels.shape[:2]
    if longest_px is None or longest_px >= max(ny, nx):
        return pixels
    scale = longest_px / max(ny, nx)
    size = max(1, round(nx * scale)), max(1, round(ny * scale))
    result = np.empty((size[1], size[0], 3), dtype=np.uint16)
    for index in range(3):
        light = light_of_levels().astype(np.float32)[pixels[..., index]]
        small = Image.fromarray(light).resize(size, Image.Resampling.BOX)
        display = encode(np.clip(np.asarray(small), 0, 1))
        result[..., index] = np.rint(display * _FULL).astype(np.uint16)
    return result
