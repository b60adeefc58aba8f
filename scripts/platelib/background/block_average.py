"""Block averages of 4 x 4 pixels, which raise the signal-to-noise of faint light."""

from dataclasses import dataclass

import numpy as np

from platelib.numerics.kernels import kernel, read_only

BLOCK_PX = 4
_LEAST_SHARE = 0.5
_BAND_BLOCKS = 16


@dataclass(frozen=True)
class Blocks:
    """Means of blocks of pixels.

    Attributes
    ----------
    mean, variance : numpy.ndarray
        ``(ny // 4, nx // 4)`` float64: mean of the pixels with data, and its variance if pixels
        were independent; NaN and infinity where less than half of the pixels have data.
    shape : tuple of int
        ``(ny, nx)`` of the image.
    """

    mean: np.ndarray
    variance: np.ndarray
    shape: tuple[int, int]

    @property
    def known(self) -> np.ndarray:
        """Mask of the blocks with data."""
        return np.isfinite(self.mean)

    def centres(self) -> tuple[np.ndarray, np.ndarray]:
        """Return y ``(my,)`` and x ``(mx,)`` of the middles of the blocks, pixels."""
        down, across = (np.arange(count) * BLOCK_PX for count in self.mean.shape)
        middle = (BLOCK_PX - 1) / 2
        return down + middle, across + middle


def mean_blocks(image: np.ndarray, variance: np.ndarray) -> Blocks:
    """Average blocks of pixels, in a fixed order.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32 of any byte order, mapped from a file or not, NaN where there are no
        data. Incomplete blocks at the far edges are dropped.

    Raises
    ------
    ValueError
        If there is not one block.
    """
    down, across = (size // BLOCK_PX for size in image.shape)
    if down * across == 0:
        msg = f"an image of {image.shape[1]} x {image.shape[0]} pixels is too small for a sky"
        raise ValueError(msg)
    mean, noise = np.empty((2, down, across))
    for start in range(0, down, _BAND_BLOCKS):
        stop = min(start + _BAND_BLOCKS, down)
        band = slice(start * BLOCK_PX, stop * BLOCK_PX)
        rows = (np.ascontiguousarray(plane[band], np.float32) for plane in (image, variance))
        _average(*(read_only(plane) for plane in rows), mean[start:stop], noise[start:stop])
    return Blocks(mean, noise, (image.shape[0], image.shape[1]))


@kernel
def _average(image, variance, mean, noise):
    for y in range(mean.shape[0]):
        for x in range(mean.shape[1]):
            total, spread, count = 0.0, 0.0, 0
            for v in range(y * BLOCK_PX, (y + 1) * BLOCK_PX):
                for u in range(x * BLOCK_PX, (x + 1) * BLOCK_PX):
                    there = (np.abs(image[v, u]) < np.inf) & (np.abs(variance[v, u]) < np.inf)
                    total += np.float64(image[v, u]) if there else 0.0
                    spread += np.float64(variance[v, u]) if there else 0.0
                    count += there
            enough = count >= _LEAST_SHARE * BLOCK_PX**2
            mean[y, x] = total / count if enough else np.nan
            noise[y, x] = spread / (count * count) if enough and spread > 0 else np.inf


def warm_up() -> None:
    """Compile the kernels of this module."""
    plane = np.ones((BLOCK_PX, BLOCK_PX), dtype=np.float32)
    mean_blocks(plane, plane)
