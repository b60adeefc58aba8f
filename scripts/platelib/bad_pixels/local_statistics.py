"""Local statistics around the pixels of a plane.

Planes are looked at a band of rows at a time, so that they may lie in a file, in its byte order.
"""

import math
from collections.abc import Iterator

import numpy as np

from platelib.numerics.constants import MAD_TO_SIGMA
from platelib.numerics.kernels import allocating_kernel, kernel
from platelib.numerics.medians import mad_sigma
from platelib.numerics.order_statistics import median

BAND = 64
"""Rows looked at at a time: a multiple of ``EVERY``."""
EVERY = 8
"""One row of so many tells what is typical."""
REACH = 2
"""Rows and columns on each side that are looked at with a pixel."""
_CELL = 64
_ENOUGH = 100_000


def lattice(ny: int) -> tuple[int, int]:
    """Return the first sample row and the number of sample rows."""
    start = min(EVERY // 2, ny - 1)
    return start, len(range(start, ny, EVERY))


def bands(plane: np.ndarray) -> Iterator[tuple[int, np.ndarray, np.ndarray]]:
    """Yield bands of a plane: the first row, the values, and the values with a margin.

    The latter are ``REACH`` wider on each side, without gaps.
    """
    ny, nx = plane.shape
    for top in range(0, ny, BAND):
        bottom = min(ny, top + BAND)
        first = max(0, top - REACH)
        rows = plane[first : bottom + REACH].astype(np.float32)
        lines = np.empty((bottom - top + 2 * REACH, nx + 2 * REACH), dtype=np.float32)
        _extend(rows, top - first, lines)
        yield top, rows[top - first : bottom - first], lines


def typical(
    values: np.ndarray, shape: tuple[int, int], sigma: float
) -> tuple[np.ndarray, np.ndarray]:
    """Median of each cell, and ``sigma`` times its robust spread: ``(my, mx)`` float64 each.

    The spread is the largest of the cell and those around it, and at least that of the frame.

    Parameters
    ----------
    values : numpy.ndarray
        Some rows of the frame, evenly spread.
    shape : tuple of int
        ``(ny, nx)`` of the frame.
    sigma : float
        Limit.
    """
    my, mx = (max(1, size // _CELL) for size in shape)
    level, spread = np.empty((my, mx)), np.empty((my, mx))
    _cells(values, level, spread)
    centre, width = _centre_and_width(values)
    wide = np.pad(np.fmax(spread, width), 1, mode="edge")
    near = np.stack([wide[j : j + my, i : i + mx] for j in range(3) for i in range(3)])
    return np.where(np.isnan(level), centre, level), sigma * np.maximum(near.max(axis=0), 1e-12)


def _centre_and_width(values: np.ndarray) -> tuple[float, float]:
    """Median and robust spread of a frame, from a grid of its pixels if it has very many."""
    step = max(1, math.isqrt(values.size // _ENOUGH))
    known = values[::step, ::step]
    known = known[np.isfinite(known)]
    if not known.size:
        return np.nan, np.nan
    centre = np.median(known)
    return float(centre), mad_sigma(known, centre)


@kernel
def _extend(rows, top, lines):
    """Copy rows from the inner row ``top`` on; beyond the edges, extrapolate linearly."""
    ny, nx = rows.shape
    for k in range(len(lines)):
        y = top - REACH + k
        edge = min(max(y, 0), ny - 1)
        line = lines[k]
        inner = line[REACH : nx + REACH]
        copy_known(rows[edge], inner)
        if y != edge:
            mirrored = rows[min(max(2 * edge - y, 0), ny - 1)]
            for x in range(nx):
                other = mirrored[x] if mirrored[x] == mirrored[x] else np.float32(0.0)
                inner[x] = inner[x] + inner[x] - other
        for k in (1, 2):
            line[2 - k] = line[2] + line[2] - line[2 + min(k, nx - 1)]
            line[nx + 1 + k] = line[nx + 1] + line[nx + 1] - line[nx + 1 - min(k, nx - 1)]


@kernel
def copy_known(row, out):
    """Copy a row, with 0 for missing data."""
    for p in range(row.size):
        out[p] = row[p] if row[p] == row[p] else np.float32(0.0)


@allocating_kernel
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
