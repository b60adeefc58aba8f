"""Block averages of 4 x 4 pixels, which raise the signal-to-noise of faint light."""

from dataclasses import dataclass

import numpy as np

BLOCK_PX = 4
_LEAST_SHARE = 0.5


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
        ``(ny, nx)`` float32, NaN where there are no data. Rows and columns beyond the last whole
        block are left away.

    Raises
    ------
    ValueError
        If there is not one block.
    """
    down, across = (size // BLOCK_PX for size in image.shape)
    if down * across == 0:
        msg = f"an image of {image.shape[1]} x {image.shape[0]} pixels is too small for a sky"
        raise ValueError(msg)
    total, spread, count = np.zeros((3, down, across))
    for y in range(BLOCK_PX):
        for x in range(BLOCK_PX):
            part = np.s_[y : down * BLOCK_PX : BLOCK_PX, x : across * BLOCK_PX : BLOCK_PX]
            values, noises = image[part].astype(np.float64), variance[part].astype(np.float64)
            there = np.isfinite(values) & np.isfinite(noises)
            total += np.where(there, values, 0.0)
            spread += np.where(there, noises, 0.0)
            count += there
    enough = count >= _LEAST_SHARE * BLOCK_PX**2
    count = np.maximum(count, 1)
    return Blocks(
        np.where(enough, total / count, np.nan),
        np.where(enough & (spread > 0), spread / count**2, np.inf),
        (image.shape[0], image.shape[1]),
    )
