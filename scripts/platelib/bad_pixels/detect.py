"""Hot, unstable and dead pixels, found from darks and flats.

Some rows tell what is typical of the surroundings. A bound that costs a few operations then clears
nearly all pixels, and the rule itself decides on the others. Planes may lie in a file, in its byte
order.
"""

import numpy as np

from platelib.bad_pixels.local_statistics import (
    BAND,
    EVERY,
    REACH,
    bands,
    copy_known,
    lattice,
    typical,
)
from platelib.numerics.kernels import allocating_kernel, kernel
from platelib.numerics.order_statistics import median, median_network, work_network

HOT, DEAD, UNSTABLE = 1, 2, 4
_STRIP = 512
_SIDE = 2 * REACH + 1
"""A pixel of a dark is compared with the square of this side around it."""
_AROUND, _LINE = 4, 9
"""A pixel of a flat is compared with so many pixels along the row, itself among them."""


def hot_pixels(dark: np.ndarray, sigma: float) -> np.ndarray:
    """Find pixels whose dark signal exceeds that of their surroundings.

    Parameters
    ----------
    dark : numpy.ndarray
        ``(ny, nx)`` float32, master dark.
    sigma : float
        Limit in units of the spread of the surroundings about the local median, so that amplifier
        glow and its photon noise are not taken for hot pixels.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool.
    """
    ny, nx = dark.shape
    start, number = lattice(ny)
    excess = np.empty((number, nx), dtype=np.float32)
    network = median_network(_SIDE * _SIDE)
    for top, values, lines in bands(dark):
        part = excess[top // EVERY : (top + BAND) // EVERY]
        _above_median(values, lines, start, EVERY, network, part)
    level, limit = typical(excess, (ny, nx), sigma)
    found = np.zeros((ny, nx), dtype=np.bool_)
    for top, values, lines in bands(dark):
        _find_hot(values, lines, top, level, limit, found)
    return found


def unstable_pixels(variance: np.ndarray, count: np.ndarray, sigma: float) -> np.ndarray:
    """Find pixels that change from dark to dark by more than their surroundings do.

    Parameters
    ----------
    variance : numpy.ndarray
        ``(ny, nx)`` float32, variance of the mean of the darks.
    count : numpy.ndarray
        ``(ny, nx)`` int16, number of samples in it.
    sigma : float
        Limit in units of the spread, in the surroundings, of the standard deviation of a sample.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool.
    """
    ny, nx = variance.shape
    start, _ = lattice(ny)
    some = slice(start, None, EVERY)
    scatter = np.sqrt(variance[some].astype(np.float32) * count[some].astype(np.float32))
    level, limit = typical(scatter, (ny, nx), sigma)
    found = np.zeros((ny, nx), dtype=np.bool_)
    for top in range(0, ny, BAND):
        rows = slice(top, top + BAND)
        parts = variance[rows].astype(np.float32), count[rows].astype(np.float32)
        _find_unstable(*parts, level, limit, top, found)
    return found


def dead_pixels(flat: np.ndarray, response: float) -> np.ndarray:
    """Find pixels below the fraction ``response`` of their surroundings.

    Parameters
    ----------
    flat : numpy.ndarray
        ``(ny, nx)`` float32, master flat around 1.
    response : float
        Fraction of the median along the row, so that a dead column is found too; between 0 and 1.
        Pixels that see more than ``2 - response`` of it count as well.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool.
    """
    found = np.zeros(flat.shape, dtype=np.bool_)
    limits = np.float32(response), np.float32(2 - response), np.float32(0.05)
    for top in range(0, len(flat), BAND):
        rows = slice(top, top + BAND)
        _unlike_the_line(flat[rows].astype(np.float32), *limits, found[rows])
    return found


@allocating_kernel
def _above_median(values, lines, start, every, network, excess):
    """Difference of each value of some rows from the median of the square around it."""
    nx = values.shape[1]
    square = np.empty((_SIDE * _SIDE, _STRIP), dtype=np.float32)
    for k in range(len(excess)):
        y = start + k * every
        for left in range(0, nx, _STRIP):
            width = min(_STRIP, nx - left)
            for j in range(_SIDE * _SIDE):
                first = left + j % _SIDE
                _copy(lines[y + j // _SIDE, first : first + width], square[j])
            work_network(square, network, width)
            line, out = values[y, left : left + width], excess[k, left : left + width]
            middle = square[_SIDE * _SIDE // 2]
            for p in range(width):
                out[p] = line[p] - middle[p]


@allocating_kernel
def _find_hot(values, lines, top, level, limit, found):
    """Mark pixels that exceed their local median by more than the limit of their cell.

    The median of a square is at least the least of the medians of its rows.
    """
    ny, nx = values.shape
    my, mx = level.shape
    medians, least = np.empty((len(lines), nx), dtype=np.float32), np.empty(nx, dtype=np.float32)
    for k in range(len(lines)):
        _median_of_five(lines[k], medians[k])
    for y in range(ny):
        _least(medians[y : y + _SIDE], least)
        j = (top + y) * my // len(found)
        for i in range(mx):
            left, right = -(-i * nx // mx), -(-(i + 1) * nx // mx)
            row = values[y, left:right]
            if not _any_above(row, least[left:right], level[j, i], limit[j, i]):
                continue
            for x in range(left, right):
                if float(values[y, x] - least[x]) - level[j, i] > limit[j, i]:
                    excess = values[y, x] - _median_of_square(lines, y, x)
                    found[top + y, x] = excess > 0 and float(excess) - level[j, i] > limit[j, i]


@kernel
def _median_of_five(line, medians):
    """Median of each value of a line, the four that follow among them."""
    nx = medians.size
    a, b, c, d, e = line[:nx], line[1:], line[2:], line[3:], line[4:]
    for x in range(nx):
        low_one, high_one = min(a[x], b[x]), max(a[x], b[x])
        low_two, high_two = min(c[x], d[x]), max(c[x], d[x])
        low, high = max(low_one, low_two), min(high_one, high_two)
        # The median is that of these two and of the fifth.
        medians[x] = max(min(low, high), min(max(low, high), e[x]))


@kernel
def _least(rows, least):
    for x in range(least.size):
        least[x] = rows[0, x]
    for k in range(1, len(rows)):
        row = rows[k]
        for x in range(least.size):
            least[x] = min(least[x], row[x])


@kernel
def _any_above(row, below, level, limit):
    found = np.uint8(0)
    for p in range(row.size):
        found |= np.uint8(float(row[p] - below[p]) - level > limit)
    return found


@allocating_kernel
def _median_of_square(lines, y, x):
    square = np.empty(_SIDE * _SIDE, dtype=np.float32)
    for j in range(_SIDE * _SIDE):
        square[j] = lines[y + j // _SIDE, x + j % _SIDE]
    return np.float32(median(square, square.size))


@kernel
def _find_unstable(variance, count, level, limit, top, found):
    ny, nx = variance.shape
    my, mx = level.shape
    for y in range(ny):
        j = (top + y) * my // len(found)
        for i in range(mx):
            left, right = -(-i * nx // mx), -(-(i + 1) * nx // mx)
            most = (level[j, i] + limit[j, i]) ** 2
            row, numbers, out = variance[y, left:right], count[y, left:right], found[top + y]
            for p in range(row.size):
                if float(row[p]) * numbers[p] > most:
                    out[left + p] = True


@allocating_kernel
def _unlike_the_line(flat, least, most, dark, found):
    """Mark pixels that differ from the median of the line of pixels that they are the middle of."""
    ny, nx = flat.shape
    wide = np.empty(nx + 2 * _AROUND, dtype=np.float32)
    low, high = np.empty_like(wide), np.empty_like(wide)
    clear = np.empty(nx, dtype=np.bool_)
    around = np.empty(_LINE, dtype=np.float32)
    for y in range(ny):
        row = flat[y]
        copy_known(row, wide[_AROUND : _AROUND + nx])
        for k in range(1, _AROUND + 1):
            wide[_AROUND - k] = wide[_AROUND + min(k, nx - 1)]
            wide[_AROUND + nx - 1 + k] = wide[_AROUND + nx - 1 - min(k, nx - 1)]
        _extremes(wide, low, high)
        # The median lies between the extremes.
        for x in range(nx):
            clear[x] = (row[x] / high[x] > least) & (row[x] / low[x] < most) & (row[x] > dark)
        for x in range(nx):
            if clear[x] and low[x] > 0:
                continue
            for k in range(_LINE):
                around[k] = wide[x + k]
            ratio = row[x] / np.float32(median(around, _LINE))
            found[y, x] = not (ratio > least and ratio < most and row[x] > dark)


@kernel
def _extremes(wide, low, high):
    """Return the running minimum and maximum over nine values."""
    size = wide.size
    for x in range(size):
        low[x] = high[x] = wide[x]
    # Runs of two, of four, of eight.
    for step in (1, 2, 4):
        for x in range(size - step):
            low[x] = min(low[x], low[x + step])
            high[x] = max(high[x], high[x + step])
    for x in range(size - 8):
        low[x] = min(low[x], wide[x + 8])
        high[x] = max(high[x], wide[x + 8])


@kernel
def _copy(row, out):
    for p in range(row.size):
        out[p] = row[p]


def warm_up() -> None:
    """Compile the kernels of this module."""
    plane = np.ones((8, 9), dtype=np.float32)
    hot_pixels(plane, 8.0)
    unstable_pixels(plane, np.ones((8, 9), dtype=np.int16), 8.0)
    dead_pixels(plane, 0.5)
