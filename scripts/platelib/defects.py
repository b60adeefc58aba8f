"""Hot, unstable and dead pixels, found from darks and flats."""

import math

import numpy as np

from platelib.kernels import kernel
from platelib.rejection_exact import MAD_TO_SIGMA
from platelib.selection import median, median_network, work_network

HOT, DEAD, UNSTABLE = 1, 2, 4
_CELL = 32
_STRIP = 512
_ENOUGH = 500_000
_LINE = 9
"""Pixels along the row that a pixel of a flat is compared with, itself among them."""


def hot_pixels(dark: np.ndarray, sigma: float) -> np.ndarray:
    """Find pixels whose dark signal stands out of their surroundings.

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
    excess = np.empty(dark.shape, dtype=np.float32)
    _above_median(dark, median_network(25), excess)
    found = _beyond(excess, sigma)
    found &= excess > 0
    return found


def unstable_pixels(scatter: np.ndarray, sigma: float) -> np.ndarray:
    """Find pixels that change from dark to dark by more than their surroundings do.

    Parameters
    ----------
    scatter : numpy.ndarray
        ``(ny, nx)`` float32, standard deviation of each pixel over the darks.
    sigma : float
        Limit in units of the spread of ``scatter`` in the surroundings.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool.
    """
    return _beyond(scatter, sigma)


def dead_pixels(flat: np.ndarray, response: float) -> np.ndarray:
    """Find pixels that see less than ``response`` of what their surroundings see.

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
    found = np.empty(flat.shape, dtype=np.bool_)
    limits = np.float32(response), np.float32(2 - response), np.float32(0.05)
    _unlike_the_line(flat, median_network(_LINE), *limits, found)
    return found


def _beyond(values: np.ndarray, sigma: float) -> np.ndarray:
    """Say which values exceed the median of their cell by ``sigma`` times its robust spread.

    The spread is the largest of the cell and those around it, and at least that of the frame.
    """
    my, mx = (max(1, size // _CELL) for size in values.shape)
    level, spread = np.empty((my, mx)), np.empty((my, mx))
    _cells(values, level, spread)
    centre, width = _centre_and_width(values)
    wide = np.pad(np.fmax(spread, width), 1, mode="edge")
    spread = np.max([wide[j : j + my, i : i + mx] for j in range(3) for i in range(3)], axis=0)
    level = np.where(np.isnan(level), centre, level)
    found = np.empty(values.shape, dtype=np.bool_)
    _compare(values, level, sigma * np.maximum(spread, 1e-12), found)
    return found


def _centre_and_width(values: np.ndarray) -> tuple[float, float]:
    """Median and robust spread of a frame, from a grid of its pixels if it has very many."""
    step = max(1, math.isqrt(values.size // _ENOUGH))
    known = values[::step, ::step]
    known = known[np.isfinite(known)]
    if not known.size:
        return np.nan, np.nan
    centre = np.median(known)
    return float(centre), MAD_TO_SIGMA * float(np.median(np.abs(known - centre)))


@kernel
def _above_median(values, network, excess):
    """Difference of each value from the median of the 5 by 5 around it."""
    ny, nx = values.shape
    lines = np.empty((5, nx + 4), dtype=np.float32)
    rows = np.empty((25, _STRIP), dtype=np.float32)
    for y in range(ny):
        for k in range(5):
            _extended_line(values, y + k - 2, lines[k])
        for left in range(0, nx, _STRIP):
            width = min(_STRIP, nx - left)
            for k in range(25):
                start = left + k % 5
                _copy(lines[k // 5, start : start + width], rows[k])
            work_network(rows, network, width)
            line, out = values[y, left : left + width], excess[y, left : left + width]
            for p in range(width):
                out[p] = line[p] - rows[12, p]


@kernel
def _extended_line(values, y, line):
    """Copy a row with two pixels more on each side; beyond edges, a slope goes on."""
    ny, nx = values.shape
    edge = min(max(y, 0), ny - 1)
    inner = line[2 : nx + 2]
    _copy_known(values[edge], inner)
    if y != edge:
        mirrored = values[min(max(2 * edge - y, 0), ny - 1)]
        for x in range(nx):
            other = mirrored[x] if mirrored[x] == mirrored[x] else np.float32(0.0)
            inner[x] = inner[x] + inner[x] - other
    for k in (1, 2):
        line[2 - k] = line[2] + line[2] - line[2 + min(k, nx - 1)]
        line[nx + 1 + k] = line[nx + 1] + line[nx + 1] - line[nx + 1 - min(k, nx - 1)]


@kernel
def _unlike_the_line(flat, network, least, most, dark, found):
    """Say which pixels differ from the median of the line of pixels that they are the middle of."""
    ny, nx = flat.shape
    around = _LINE // 2
    wide = np.empty(nx + 2 * around, dtype=np.float32)
    rows = np.empty((_LINE, _STRIP), dtype=np.float32)
    for y in range(ny):
        _copy_known(flat[y], wide[around : around + nx])
        for k in range(1, around + 1):
            wide[around - k] = wide[around + min(k, nx - 1)]
            wide[around + nx - 1 + k] = wide[around + nx - 1 - min(k, nx - 1)]
        for left in range(0, nx, _STRIP):
            width = min(_STRIP, nx - left)
            for k in range(_LINE):
                _copy(wide[left + k : left + k + width], rows[k])
            work_network(rows, network, width)
            line, out = flat[y, left : left + width], found[y, left : left + width]
            for p in range(width):
                ratio = line[p] / rows[around, p]
                out[p] = not ((ratio > least) & (ratio < most) & (line[p] > dark))


@kernel
def _copy(row, out):
    for p in range(row.size):
        out[p] = row[p]


@kernel
def _copy_known(row, out):
    """Copy a row, with 0 where there is no datum."""
    for p in range(row.size):
        out[p] = row[p] if row[p] == row[p] else np.float32(0.0)


@kernel
def _cells(values, level, spread):
    """Median and robust spread of each cell; NaN of a cell without any finite value."""
    ny, nx = values.shape
    my, mx = level.shape
    known = np.empty((ny // my + 1) * (nx // mx + 1), dtype=np.float32)
    work = np.empty_like(known)
    for j in range(my):
        top, bottom = -(-j * ny // my), -(-(j + 1) * ny // my)
        for i in range(mx):
            left, right = -(-i * nx // mx), -(-(i + 1) * nx // mx)
            count = 0
            for y in range(top, bottom):
                for x in range(left, right):
                    known[count] = values[y, x]
                    count += np.isfinite(values[y, x])
            if not count:
                level[j, i] = spread[j, i] = np.nan
                continue
            work[:count] = known[:count]
            centre = np.float32(median(work, count))
            for k in range(count):
                work[k] = abs(known[k] - centre)
            level[j, i] = centre
            spread[j, i] = MAD_TO_SIGMA * float(np.float32(median(work, count)))


@kernel
def _compare(values, level, limit, found):
    ny, nx = values.shape
    my, mx = level.shape
    for y in range(ny):
        j = y * my // ny
        for i in range(mx):
            left, right = -(-i * nx // mx), -(-(i + 1) * nx // mx)
            row, out = values[y, left:right], found[y, left:right]
            for p in range(right - left):
                out[p] = row[p] - level[j, i] > limit[j, i]


def warm_up() -> None:
    """Compile the kernels of this module."""
    plane = np.ones((8, 9), dtype=np.float32)
    hot_pixels(plane, 8.0)
    dead_pixels(plane, 0.5)
