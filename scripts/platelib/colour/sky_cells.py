"""Means of small cells of an image, and the pixels of chosen cells."""

import numpy as np

from platelib.numerics.kernels import kernel, read_only

CELL_PX = 8
"""Side of a cell."""


def cell_means(plane: np.ndarray) -> np.ndarray:
    """Average cells of 8 x 8 pixels in a fixed order, so that the processor cannot change the bits.

    Parameters
    ----------
    plane : numpy.ndarray
        ``(ny, nx)`` float32; rows and columns that fill no cell are left out.

    Returns
    -------
    numpy.ndarray
        ``(ny // 8, nx // 8)`` float64; NaN where a pixel of the cell is NaN.
    """
    down, across = (size // CELL_PX for size in plane.shape)
    means = np.zeros((down, across))
    _add_cells(read_only(np.ascontiguousarray(plane)), means)
    means /= CELL_PX**2
    return means


def pixels_of_cells(plane: np.ndarray, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Return the pixels of cells.

    Parameters
    ----------
    plane : numpy.ndarray
        ``(ny, nx)`` float32.
    rows, columns : numpy.ndarray
        ``(n,)`` int64, numbers of cells.

    Returns
    -------
    numpy.ndarray
        ``(n, 64)`` float32.
    """
    pixels = np.empty((rows.size, CELL_PX**2), dtype=np.float32)
    _gather(read_only(np.ascontiguousarray(plane)), read_only(rows), read_only(columns), pixels)
    return pixels


@kernel
def _add_cells(plane, totals):
    """Add up cells row by row: pixel after pixel of a cell, as a loop over one cell would."""
    for row in range(totals.shape[0]):
        total = totals[row]
        for y in range(row * CELL_PX, (row + 1) * CELL_PX):
            line = plane[y]
            for cell in range(total.size):
                so_far = total[cell]
                for x in range(cell * CELL_PX, (cell + 1) * CELL_PX):
                    so_far += line[x]
                total[cell] = so_far


@kernel
def _gather(plane, rows, columns, pixels):
    for k in range(rows.size):
        top, left = rows[k] * CELL_PX, columns[k] * CELL_PX
        for y in range(CELL_PX):
            for x in range(CELL_PX):
                pixels[k, y * CELL_PX + x] = plane[top + y, left + x]


def warm_up() -> None:
    """Compile the kernels of this module."""
    plane = np.ones((CELL_PX, CELL_PX), dtype=np.float32)
    cell_means(plane)
    pixels_of_cells(plane, np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64))
