"""Sums over the samples of each pixel of a stack of frames, in one pass in single precision.

Sums start from the first sample, so that they keep the digits of small differences.
"""

from typing import NamedTuple

import numpy as np

from platelib.numerics import aligned
from platelib.numerics.kernels import kernel
from platelib.numerics.order_statistics import median

CELL = 512
"""Columns that share a floor, and that are worked on at a time."""
APART = 16
"""Rows that lie a power of two apart would push each other out of the cache."""


class Stack(NamedTuple):
    """A part of the frames.

    Attributes
    ----------
    samples : numpy.ndarray
        ``(n, ny, nx)`` int16 or float32, ADU; NaN = no data.
    zero : float
        What is added to each, ADU.
    offset : numpy.ndarray
        ``(ny, nx)`` float32 that is subtracted, ADU; ``(0, 0)`` for none.
    factors : numpy.ndarray
        ``(n,)`` float32, applied after the offset; ``(0,)`` for none.
    """

    samples: np.ndarray
    zero: np.float32
    offset: np.ndarray
    factors: np.ndarray


class Sums(NamedTuple):
    """What one pass finds of each pixel: its first sample, and sums and extremes from there."""

    first: np.ndarray
    total: np.ndarray
    squares: np.ndarray
    least: np.ndarray
    most: np.ndarray


def typical_variances(stack: Stack) -> np.ndarray:
    """Median, over the pixels of each cell, of the variance of their samples.

    Parameters
    ----------
    stack : Stack
        Part ``(ny, nx)`` of two frames or more; pixels without all data do not count.

    Returns
    -------
    numpy.ndarray
        ``(max(1, nx // CELL),)`` float64; 0 where no pixel counts.
    """
    n, ny, nx = stack.samples.shape
    typical = np.empty(max(1, nx // CELL))
    row, known = np.empty(CELL, dtype=np.float32), np.empty(ny * 2 * CELL, dtype=np.float32)
    _typical_variances(stack, typical, *buffers(n), row, known)
    return typical


def buffers(n: int) -> tuple[np.ndarray, Sums]:
    """Return room for some columns of the samples, and for their sums."""
    rows = aligned.empty((5, CELL + APART), np.float32)
    return aligned.empty((n, CELL + APART), np.float32), Sums(*rows)


@kernel
def _typical_variances(stack, typical, tile, sums, row, known):
    n, ny, nx = stack.samples.shape
    for cell in range(typical.size):
        start, stop = cell * CELL, nx if cell == typical.size - 1 else (cell + 1) * CELL
        count = 0
        for y in range(ny):
            for left in range(start, stop, CELL):
                width = min(CELL, stop - left)
                load(stack, y, left, left + width, tile)
                sum_samples(tile, width, sums)
                _variances(sums, n, width, row)
                for p in range(width):
                    known[count] = row[p]
                    count += np.isfinite(row[p])
        typical[cell] = median(known, count) if count else 0.0


@kernel
def _variances(sums, n, width, row):
    _, total, squares, _, _ = sums
    number, freedom, zero = np.float32(n), np.float32(n - 1), np.float32(0.0)
    for p in range(width):
        square = squares[p] - total[p] * (total[p] / number)
        row[p] = (square if square > zero else zero) / freedom if total[p] == total[p] else np.nan


@kernel
def load(stack, y, left, right, tile):
    """Fill the tile with values; a common offset of all samples is not subtracted."""
    zero, scaled = stack.zero, stack.factors.size > 0
    for i in range(len(stack.samples)):
        row, out = stack.samples[i, y, left:right], tile[i]
        if scaled and stack.offset.size:
            below, factor = stack.offset[y, left:right], stack.factors[i]
            for p in range(row.size):
                out[p] = ((np.float32(row[p]) + zero) - below[p]) * factor
        else:
            factor = stack.factors[i] if scaled else np.float32(1.0)
            for p in range(row.size):
                out[p] = (np.float32(row[p]) + zero) * factor


@kernel
def sum_samples(tile, width, sums):
    """Fill the sums of the first columns of a tile, a row of which is a frame."""
    first, total, squares, least, most = sums
    zero, row = np.float32(0.0), tile[0]
    for p in range(width):
        first[p] = row[p]
        total[p] = zero
        squares[p] = zero
        least[p] = zero
        most[p] = zero
    # Two frames at a time: half as often are the sums fetched and put back.
    for i in range(1, len(tile) - 1, 2):
        row, other = tile[i], tile[i + 1]
        for p in range(width):
            one, two = row[p] - first[p], other[p] - first[p]
            total[p] += one + two
            squares[p] += one * one + two * two
            low = one if one < two else two
            high = two if one < two else one
            least[p] = low if low < least[p] else least[p]
            most[p] = high if high > most[p] else most[p]
    if len(tile) % 2 == 0:
        row = tile[len(tile) - 1]
        for p in range(width):
            one = row[p] - first[p]
            total[p] += one
            squares[p] += one * one
            least[p] = one if one < least[p] else least[p]
            most[p] = one if one > most[p] else most[p]


def warm_up() -> None:
    """Compile the kernels of this module."""
    none = np.zeros((0, 0), dtype=np.float32), np.zeros(0, dtype=np.float32)
    for dtype in (np.int16, np.float32):
        stack = Stack(np.ones((3, 2, 2), dtype=dtype), np.float32(0.0), *none)
        typical_variances(stack)
