"""Interpolate bad pixels from their neighbours."""

import numpy as np

from platelib.numerics.kernels import kernel
from platelib.numerics.mask_bits import BAD


def interpolate_bad_pixels(image: np.ndarray, mask: np.ndarray) -> None:
    """Fill bad pixels, in place, with the mean of their good neighbours.

    Resampling must not spread a bad value; the pixel itself stays masked. Bad pixels without any
    good neighbour within two pixels get the value 0.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32.
    mask : numpy.ndarray
        ``(ny, nx)`` uint8; pixels with bit 1 are filled.
    """
    mask = np.ascontiguousarray(mask)
    flags = mask.reshape(-1)
    _interpolate(image, mask, flags, flags[: mask.size // 8 * 8].view(np.uint64))


@kernel
def _interpolate(image, mask, flags, words):
    """Test eight flags as one word: nearly all are zero."""
    place = 0
    for block in range(0, words.size, 8):
        seen = np.uint64(0)
        for word in words[block : block + 8]:
            seen |= word
        place = 8 * min(block + 8, words.size)
        if seen:
            _interpolate_rows(image, mask, flags, 8 * block, place)
    _interpolate_rows(image, mask, flags, place, flags.size)


@kernel
def _interpolate_rows(image, mask, flags, start, stop):
    """Fill bad pixels, numbered row by row."""
    nx = mask.shape[1]
    for place in range(start, stop):
        if flags[place] & BAD:
            y, x = place // nx, place % nx
            image[y, x] = _mean_of_good(image, mask, y, x)


@kernel
def _mean_of_good(image, mask, y, x):
    ny, nx = image.shape
    for reach in (1, 2):
        total = 0.0
        count = 0
        for v in range(max(0, y - reach), min(ny, y + reach + 1)):
            for u in range(max(0, x - reach), min(nx, x + reach + 1)):
                if not mask[v, u] & BAD:
                    total += image[v, u]
                    count += 1
        if count:
            return np.float32(total / count)
    return np.float32(0.0)


def warm_up() -> None:
    """Compile the kernels of this module."""
    interpolate_bad_pixels(np.ones((4, 5), dtype=np.float32), np.zeros((4, 5), dtype=np.uint8))
