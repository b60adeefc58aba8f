"""Medians of squares of an image, without hidden pixels."""

import numpy as np

from platelib.numerics.constants import MEDIAN_ERROR
from platelib.numerics.kernels import kernel, read_only
from platelib.numerics.order_statistics import median

_NOISE_STEP = 2


def block_medians(
    image: np.ndarray, noise: np.ndarray, hidden: np.ndarray, side: int, least_share: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return medians of squares, their noise, and the squares with too few pixels.

    Parameters
    ----------
    image, noise : numpy.ndarray
        ``(ny, nx)`` float32, finite.
    hidden : numpy.ndarray
        ``(ny, nx)`` bool, pixels that do not count.
    side : int
        Of the squares, pixels; incomplete squares at the far edges are dropped.
    least_share : float
        Share of the pixels of a square that must count.

    Returns
    -------
    medians, noise, missing : numpy.ndarray
        ``(ny // side, nx // side)``: the median, the lower one of two, and 0 where it is missing;
        its standard error, from the median noise of every other pixel along rows and columns;
        squares in which too few pixels count.
    """
    shape = tuple(size // side for size in image.shape)
    middle, spread = np.empty((2, *shape), dtype=np.float32)
    left = np.empty(shape, dtype=np.int32)
    planes = (read_only(plane) for plane in (image, noise, hidden.view(np.uint8)))
    _measure(*planes, side, np.empty(side * side, dtype=np.float32), middle, spread, left)
    missing = left < least_share * side**2
    middle[missing] = 0
    spread *= MEDIAN_ERROR / np.sqrt(np.maximum(left, 1))
    return middle, spread, missing


@kernel
def _measure(image, noise, hidden, side, buffer, middle, spread, left):
    for row in range(middle.shape[0]):
        for column in range(middle.shape[1]):
            top, start = row * side, column * side
            count = 0
            for y in range(top, top + side):
                for x in range(start, start + side):
                    buffer[count] = image[y, x]
                    count += hidden[y, x] == 0
            left[row, column] = count
            middle[row, column] = _lower_median(buffer, count)
            count = 0
            for y in range(top, top + side, _NOISE_STEP):
                for x in range(start, start + side, _NOISE_STEP):
                    buffer[count] = noise[y, x]
                    count += 1
            spread[row, column] = median(buffer, count)


@kernel
def _lower_median(buffer, count):
    """Median of the first values, which are overwritten; of two the lower one, 0 of none."""
    if count == 0:
        return 0.0
    if count % 2 == 0:
        # Without the highest value, the lower one of two is in the middle.
        place = 0
        for i in range(1, count):
            place = i if buffer[i] > buffer[place] else place
        count -= 1
        buffer[place] = buffer[count]
    return median(buffer, count)


def warm_up() -> None:
    """Compile the kernels of this module."""
    plane = np.arange(36, dtype=np.float32).reshape(6, 6)
    block_medians(plane, plane, plane < 3, 3, 0.3)
