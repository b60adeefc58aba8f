"""Rings round a piece of a mask: distances from it, and the light in each ring."""

import numpy as np

from platelib.numerics.kernels import allocating_kernel, kernel, read_only

_FAR = 1 << 14
"""Rows; farther than any window is high."""


@allocating_kernel
def squared_distances(piece, squared):
    """Find the squared distance of each pixel from the nearest pixel of a piece.

    Along columns first; then along rows, where the parabolas about all columns have a lower
    envelope (Felzenszwalb & Huttenlocher 2012, Theory of Computing 8, 415).

    Parameters
    ----------
    piece : numpy.ndarray
        ``(ny, nx)`` uint8, not 0 in at least one pixel.
    squared : numpy.ndarray
        ``(ny, nx)`` int32, filled.
    """
    ny, nx = piece.shape
    height = np.empty(nx, dtype=np.int32)
    height[:] = _FAR
    for y in range(ny):
        _one_row_farther(piece[y], height)
        squared[y] = height
    height[:] = _FAR
    for y in range(ny - 1, -1, -1):
        _one_row_farther(piece[y], height)
        _square_nearer(height, squared[y])
    middles = np.empty(nx, dtype=np.int64)
    starts = np.empty(nx + 1)
    values = np.empty(nx, dtype=np.int64)
    for y in range(ny):
        _lower_envelope(squared[y], values, middles, starts)


@kernel
def _one_row_farther(piece, height):
    for x in range(piece.size):
        height[x] = 0 if piece[x] else height[x] + 1


@kernel
def _square_nearer(height, squared):
    for x in range(height.size):
        nearer = min(height[x], squared[x])
        squared[x] = min(nearer, _FAR) * min(nearer, _FAR)


@kernel
def _lower_envelope(squared, values, middles, starts):
    nx = squared.size
    last = -1
    for x in range(nx):
        values[x] = squared[x]
        if values[x] == _FAR * _FAR:
            continue
        start = -np.inf
        while last >= 0:
            m = middles[last]
            start = (values[x] + x * x - values[m] - m * m) / (2.0 * (x - m))
            if start > starts[last]:
                break
            last -= 1
            start = -np.inf
        last += 1
        middles[last], starts[last] = x, start
    starts[last + 1] = np.inf
    k = 0
    for x in range(nx):
        while starts[k + 1] < x:
            k += 1
        away = x - middles[k]
        squared[x] = away * away + values[middles[k]]


@kernel
def sum_rings(squared, step, corner, light, variance, known, found, count, sums):
    """Sum light and variance of the sky in each ring round a piece.

    Parameters
    ----------
    squared : numpy.ndarray
        ``(ny, nx)`` int32: squared distances in a window.
    step : float
        Width of the rings.
    corner : tuple of int
        First row and column of the window.
    light, variance : numpy.ndarray
        ``(my, mx)`` float64, finite.
    known, found : numpy.ndarray
        ``(my, mx)`` uint8: what has data, and what is no sky.
    count : numpy.ndarray
        ``(n,)`` int64, added to. What lies beyond the last ring counts in it.
    sums : numpy.ndarray
        ``(2, n)`` float64, added to.
    """
    last = count.size - 1
    top, left = corner
    for y in range(squared.shape[0]):
        for x in range(squared.shape[1]):
            if known[y + top, x + left] and not found[y + top, x + left]:
                ring = min(int(np.sqrt(squared[y, x]) / step), last)
                count[ring] += 1
                sums[0, ring] += light[y + top, x + left]
                sums[1, ring] += variance[y + top, x + left]


@kernel
def set_within(squared, radius, corner, found):
    """Set the pixels of a window within a radius of its piece."""
    top, left = corner
    for y in range(squared.shape[0]):
        line = found[y + top, left : left + squared.shape[1]]
        for x in range(line.size):
            line[x] |= np.sqrt(squared[y, x]) <= radius


def warm_up() -> None:
    """Compile the kernels of this module."""
    piece, plane = np.ones((2, 3), dtype=np.uint8), read_only(np.ones((2, 3)))
    squared = np.empty((2, 3), dtype=np.int32)
    squared_distances(read_only(piece), squared)
    masks = read_only(piece), read_only(piece)
    count, sums = np.zeros(2, dtype=np.int64), np.zeros((2, 2))
    sum_rings(read_only(squared), 1.0, (0, 0), plane, plane, *masks, count, sums)
    set_within(read_only(squared), 1.0, (0, 0), piece)
