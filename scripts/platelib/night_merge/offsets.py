"""Systematic differences between nights: offsets and excess scatter, in cells of the grid.

Errors of flats and gradients that remain after background matching are hidden by the noise of one
sub, but are many times the noise of the stack of a deep night. Without allowance for them,
rejection would take whole patches of nights. So each sample is compared with the weighted mean of
all in cells that lie at the same places of the grid whatever the tiles are.

The fainter half of the pixels of a cell is used, since stars differ with the seeing. The median of
the differences is the offset of a sample, counted from the weighted median of the offsets, which
one night that is far off does not move. The median absolute deviation of the differences over the
expected one is the scatter. (Differences from the median of the samples would tell less: a sample
that is the median itself does not differ.)
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from platelib.integration.local_weights import CELL
from platelib.numerics.constants import MAD_TO_SIGMA
from platelib.numerics.kernels import kernel
from platelib.numerics.order_statistics import median

_ROW_STEP, _COLUMN_STEP = 8, 4
"""Every 8th row and 4th column are used: 512 pixels of a cell."""
_FEWEST_PIXELS = 128
"""With fewer pixels, a cell has the values of the nearest one that has more."""
_LEAST_SHARE = 0.5
"""Least share of the expected variance that counts as a sample's own; the rest is the others'."""
_LARGEST_SCATTER = 3.0
"""A noise that is expected this much too small is no property of a night."""

Planes = tuple[np.ndarray, np.ndarray, np.ndarray]


class FloorTable(NamedTuple):
    """Systematic differences in a part of the grid.

    Attributes
    ----------
    scatter, offset : numpy.ndarray
        ``(cells down, cells across, n)`` float64, see `Floors`.
    first_row, first_column : int
        Where the part begins in the first cell, pixels.
    cell : int
        Rows and columns of a cell, pixels.
    """

    scatter: np.ndarray
    offset: np.ndarray
    first_row: int
    first_column: int
    cell: int


def no_floors(n: int) -> FloorTable:
    """Return the table of samples without systematic differences: one cell, larger than images."""
    return FloorTable(np.ones((1, 1, n)), np.zeros((1, 1, n)), 0, 0, 1 << 40)


@dataclass(frozen=True)
class Floors:
    """Systematic differences of samples from each other.

    Attributes
    ----------
    scatter : numpy.ndarray
        ``(cells down, cells across, n)`` float64: standard deviation of a sample's differences over
        the expected one; from 1 to 3.
    offset : numpy.ndarray
        ``(cells down, cells across, n)`` float64: median difference, unit of the samples.
    """

    scatter: np.ndarray
    offset: np.ndarray

    def of_tile(self, rows: tuple[int, int], columns: tuple[int, int]) -> FloorTable:
        """Return the differences in a part of the grid.

        Parameters
        ----------
        rows, columns : tuple of int
            First of the grid and the one after the last.
        """
        down, across = (slice(f // CELL, (t - 1) // CELL + 1) for f, t in (rows, columns))
        return FloorTable(
            self.scatter[down, across],
            self.offset[down, across],
            rows[0] % CELL,
            columns[0] % CELL,
            CELL,
        )


def measure(n: int, shape: tuple[int, int], read: Callable[[int, slice], Planes | None]) -> Floors:
    """Measure the systematic differences of samples.

    Parameters
    ----------
    n : int
        Number of samples.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    read : callable
        ``read(i, rows)`` returns values, variances and weights of sample ``i`` in some rows of the
        grid, ``(len(rows), nx)`` float32 each, or None for a sample without systematic differences.
        ``rows`` is a slice with a step. It is called once for each sample and row of cells, in
        order.

    Returns
    -------
    Floors
        The same whatever the tiles are. A sample with data in no cell, and each sample if there is
        only one, has scatter 1 and offset 0.
    """
    ny, nx = shape
    down, across = -(-ny // CELL), -(-nx // CELL)
    scatter, offset = np.full((2, down, across, n), np.nan)
    size = -(-nx // _COLUMN_STEP)
    for cell in range(down):
        rows = slice(cell * CELL, min((cell + 1) * CELL, ny), _ROW_STEP)
        height = len(range(rows.start, rows.stop, _ROW_STEP))
        planes = np.full((3, n, height, size), np.nan, dtype=np.float32)
        measured: list[int] = []
        for i in range(n):
            found = read(i, rows)
            if found is not None:
                for plane, rows_read in zip(planes, found, strict=True):
                    plane[len(measured)] = rows_read[:, ::_COLUMN_STEP]
                measured.append(i)
        if len(measured) > 1:
            found_scatter, found_offset = _cells(planes[:, : len(measured)], across)
            scatter[cell][:, measured] = found_scatter
            offset[cell][:, measured] = found_offset
    scatter, offset = _fill(scatter, 1.0), _fill(offset, 0.0)
    return Floors(np.clip(scatter, 1.0, _LARGEST_SCATTER), offset)


def _cells(planes: np.ndarray, across: int) -> tuple[np.ndarray, np.ndarray]:
    """Return scatter and offset in a row of cells, ``(across, n)`` float64; NaN = unknown."""
    n, height, width = planes.shape[1:]
    table = np.full((3, across, n), np.nan)
    cell = CELL // _COLUMN_STEP
    values, variances, weights = planes
    of_mean = np.empty((3, height, width), dtype=np.float32)
    count = np.empty((height, width), dtype=np.int32)
    _average(values, variances, weights, of_mean, count)
    places = np.empty((height * cell, 2), dtype=np.int64)
    room = np.empty((3, height * cell))
    _measure_cells(values, variances, weights, of_mean, count, cell, places, room, table)
    scatter, offset, weight = table
    return scatter, offset - _centre(offset, np.sqrt(weight))


def _centre(offset: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return the weighted median of the offsets of each cell, or the middle of two."""
    order = np.argsort(offset, axis=1, kind="stable")  # unknown ones last
    ordered = np.take_along_axis(offset, order, axis=1)
    below = np.cumsum(np.nan_to_num(np.take_along_axis(weight, order, axis=1)), axis=1)
    middle = (2 * below >= below[:, -1:]).argmax(axis=1)
    centre = np.take_along_axis(ordered, middle[:, None], axis=1)
    are_two = np.isfinite(offset).sum(axis=1) == 2
    centre[are_two, 0] = ordered[are_two, :2].mean(axis=1)
    return centre


@kernel
def _average(values, variances, weights, of_mean, count):
    """Weighted mean of each pixel, its variance, the sum of weights and the number of samples."""
    n, height, width = values.shape
    zero = np.float32(0.0)
    for y in range(height):
        mean, spread, total, number = of_mean[0, y], of_mean[1, y], of_mean[2, y], count[y]
        for x in range(width):
            mean[x] = spread[x] = total[x] = zero
            number[x] = np.int32(0)
        for i in range(n):
            value, variance, weight = values[i, y], variances[i, y], weights[i, y]
            for x in range(width):
                known = value[x] == value[x]
                mean[x] += weight[x] * value[x] if known else zero
                spread[x] += weight[x] * weight[x] * variance[x] if known else zero
                total[x] += weight[x] if known else zero
                number[x] = np.int32(number[x] + known)
        for x in range(width):
            mean[x] /= total[x]
            spread[x] /= total[x] * total[x]


@kernel
def _measure_cells(values, variances, weights, of_mean, count, cell, places, room, table):
    """Measure scatter, offset and mean weight of each sample in each cell of a row of cells."""
    n, height, width = values.shape
    mean, spread, total = of_mean[0], of_mean[1], of_mean[2]
    for column in range(table.shape[1]):
        first, last = column * cell, min((column + 1) * cell, width)
        number = 0
        for y in range(height):
            for x in range(first, last):
                room[0, number] = mean[y, x]
                number += count[y, x] >= 2
        if number < _FEWEST_PIXELS:
            continue
        fainter = median(room[0], number)
        chosen = 0
        for y in range(height):
            for x in range(first, last):
                places[chosen, 0], places[chosen, 1] = y, x
                chosen += count[y, x] >= 2 and mean[y, x] <= fainter
        for i in range(n):
            number, weight, alone = 0, 0.0, 0.0
            for k in range(chosen):
                y, x = places[k, 0], places[k, 1]
                value = np.float64(values[i, y, x])
                if value != value:
                    continue
                variance, share = np.float64(variances[i, y, x]), weights[i, y, x] / total[y, x]
                # The mean holds a share of the sample itself.
                own = (1.0 - share) * (1.0 - share) * variance
                room[0, number] = room[1, number] = value - mean[y, x]
                room[2, number] = max(spread[y, x] - share * share * variance, 0.0) + own
                alone += own / room[2, number]
                weight += weights[i, y, x]
                number += 1
            if number < _FEWEST_PIXELS // 2:
                continue
            middle = median(room[0], number)
            for k in range(number):
                room[0, k] = abs(room[1, k] - middle) / np.sqrt(room[2, k])
            excess = (MAD_TO_SIGMA * median(room[0], number)) ** 2 - 1.0
            excess /= max(alone / number, _LEAST_SHARE)
            table[0, column, i] = np.sqrt(max(1.0 + excess, 0.0))
            table[1, column, i] = middle
            table[2, column, i] = weight / number


def _fill(table: np.ndarray, nothing: float) -> np.ndarray:
    """Give unknown cells the value of the nearest known one of the same sample."""
    down, across, n = table.shape
    filled = table.copy()
    places = np.stack(np.unravel_index(np.arange(down * across), (down, across)), axis=1)
    for i in range(n):
        flat = table[..., i].ravel()
        known = np.flatnonzero(np.isfinite(flat))
        for k in np.flatnonzero(~np.isfinite(flat)).tolist():
            if not len(known):
                filled[..., i] = nothing
                break
            distance = ((places[known] - places[k]) ** 2).sum(axis=1)
            filled[tuple(places[k])][i] = flat[known[int(np.argmin(distance))]]
    return filled


def warm_up() -> None:
    """Compile the kernels of this module."""
    planes = np.ones((3, 16, 64), dtype=np.float32)
    measure(2, (16, 64), lambda i, rows: (planes[0, rows], planes[1, rows], planes[2, rows]))
