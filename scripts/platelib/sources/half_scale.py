"""An image at half its scale, for first looks that a coarse image serves as well."""

import numpy as np

from platelib.numerics.kernels import kernel, read_only

SIDE = 2
"""Pixels of the image along the side of a pixel of the coarse one."""


def half_scale(
    image: np.ndarray, noise: np.ndarray, missing: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Average squares of 2 x 2 pixels.

    Parameters
    ----------
    image, noise : numpy.ndarray
        ``(ny, nx)`` float32; noise of each pixel by itself.
    missing : numpy.ndarray
        ``(ny, nx)`` bool, pixels that do not count; they may hold any finite value.

    Returns
    -------
    mean, noise, missing : numpy.ndarray
        ``((ny + 1) // 2, (nx + 1) // 2)``: mean of the pixels that count, its noise if they are
        independent, and squares without one. These have a mean of 0 and a noise of 1.
    """
    shape = tuple(-(-size // SIDE) for size in image.shape)
    mean, spread = np.empty((2, *shape), dtype=np.float32)
    gone = np.empty(shape, dtype=np.uint8)
    sums = np.empty((3, image.shape[1] + 1), dtype=np.float32)
    planes = (read_only(plane) for plane in (image, noise, missing.view(np.uint8)))
    _average(*planes, sums, mean, spread, gone)
    return mean, spread, gone.view(bool)


@kernel
def _average(image, noise, missing, sums, mean, spread, gone):
    ny, nx = image.shape
    for row in range(mean.shape[0]):
        # A column beyond the last of an odd number counts nothing.
        sums[:] = np.float32(0)
        for y in range(2 * row, min(2 * row + 2, ny)):
            _add_line(image[y], noise[y], missing[y], sums[0], sums[1], sums[2])
        _means(sums[0], sums[1], sums[2], mean[row], spread[row], gone[row])


@kernel
def _add_line(image, noise, missing, total, variance, count):
    for x in range(image.size):
        there = np.float32(0) if missing[x] else np.float32(1)
        total[x] += there * image[x]
        variance[x] += there * (noise[x] * noise[x])
        count[x] += there


@kernel
def _means(total, variance, count, mean, spread, gone):
    one, nothing = np.float32(1), np.float32(0)
    for i in range(mean.size):
        number = count[2 * i] + count[2 * i + 1]
        share = one / max(number, one)
        mean[i] = (total[2 * i] + total[2 * i + 1]) * share
        sigma = np.sqrt(variance[2 * i] + variance[2 * i + 1]) * share
        gone[i] = number == nothing
        spread[i] = sigma if number > nothing else one


def warm_up() -> None:
    """Compile the kernels of this module."""
    plane = np.ones((3, 5), dtype=np.float32)
    half_scale(plane, plane, np.zeros((3, 5), dtype=bool))
