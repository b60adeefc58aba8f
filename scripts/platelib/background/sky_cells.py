"""Levels of the sky in the cells of a lattice, as robust medians of blocks without sources."""

import numpy as np

from platelib.background.block_average import BLOCK_PX, Blocks
from platelib.background.chebyshev_surface import CellLevels
from platelib.background.surface import SkySurface
from platelib.numerics.constants import MAD_TO_SIGMA, MEDIAN_ERROR
from platelib.numerics.kernels import allocating_kernel, kernel, read_only
from platelib.numerics.order_statistics import median

_LEAST_SHARE, _LEAST_BLOCKS = 0.15, 12


def above_surface(blocks: Blocks, surface: SkySurface) -> np.ndarray:
    """Return blocks minus a surface.

    Parameters
    ----------
    blocks : Blocks
    surface : SkySurface

    Returns
    -------
    numpy.ndarray
        ``(my, mx)`` float64, 0 where a block has no data.
    """
    ys, xs = blocks.centres()
    down, weights = surface.lattice.taps(ys)
    lines = sum(weights[k][:, None] * surface.values[down + k] for k in range(4))
    across, weights = surface.lattice.taps(xs)
    excess = np.empty_like(blocks.mean)
    planes = read_only(blocks.mean), read_only(np.asarray(lines))
    _subtract(*planes, read_only(across), read_only(weights), excess)
    return excess


def cell_levels(
    blocks: Blocks, light: np.ndarray, surface: SkySurface, excess: np.ndarray
) -> CellLevels:
    """Measure cells: the median of the source-free blocks and its error.

    Parameters
    ----------
    blocks : Blocks
    light : numpy.ndarray
        ``(my, mx)`` bool.
    surface : SkySurface
        What is known of the sky: the median is that of the differences from it, so that a slope
        inside of a cell is no noise. The pitch of its lattice is a multiple of the side of a block.
    excess : numpy.ndarray
        These differences, from `above_surface`.

    Returns
    -------
    CellLevels
        Only cells of which enough is sky.
    """
    lattice = surface.lattice
    side = lattice.pitch_px // BLOCK_PX
    sky = (blocks.known & ~light).view(np.uint8)
    count = np.zeros(lattice.cells, dtype=np.int64)
    planes = np.zeros((4, *lattice.cells))
    _measure_cells(read_only(excess), read_only(sky), side, count, planes)
    row, column = np.nonzero(count >= max(_LEAST_BLOCKS, _LEAST_SHARE * side**2))
    number = count[row, column]
    level, sigma, down, across = planes[:, row, column]
    middle = (BLOCK_PX - 1) / 2 * number
    x, y = (BLOCK_PX * across + middle) / number, (BLOCK_PX * down + middle) / number
    error = MEDIAN_ERROR * sigma / np.sqrt(number)
    # A cell of too few different values would weigh without end.
    floor = 0.3 * float(np.median(error)) if len(error) else 0.0
    error = np.maximum(error, floor if floor > 0 else 1e-12)
    level = level + surface.at(x, y)
    return CellLevels(x, y, level, error, row.astype(np.int32), column.astype(np.int32))


@kernel
def _subtract(mean, lines, first, weights, excess):
    w0, w1, w2, w3 = weights[0], weights[1], weights[2], weights[3]
    for y in range(mean.shape[0]):
        line, here, to = lines[y], mean[y], excess[y]
        for x in range(here.size):
            k = first[x]
            sky = w0[x] * line[k] + w1[x] * line[k + 1] + w2[x] * line[k + 2] + w3[x] * line[k + 3]
            to[x] = here[x] - sky if here[x] == here[x] else 0.0


@allocating_kernel
def _measure_cells(excess, sky, side, count, planes):
    """Set number, median, scatter, and sums of rows and columns of the sky blocks of each cell."""
    my, mx = excess.shape
    values, work = np.empty((2, side * side))
    for row in range(count.shape[0]):
        for column in range(count.shape[1]):
            found, down, across = 0, 0, 0
            for y in range(row * side, min((row + 1) * side, my)):
                before = found
                for x in range(column * side, min((column + 1) * side, mx)):
                    if sky[y, x]:
                        values[found] = excess[y, x]
                        across += x
                        found += 1
                down += y * (found - before)
            count[row, column] = found
            planes[2, row, column], planes[3, row, column] = down, across
            if found:
                level, scatter = _level_and_scatter(values, found, work)
                planes[0, row, column], planes[1, row, column] = level, scatter


@kernel
def _level_and_scatter(values, count, work):
    for k in range(count):
        work[k] = values[k]
    level = median(work, count)
    for k in range(count):
        work[k] = np.abs(values[k] - level)
    return level, MAD_TO_SIGMA * median(work, count)


def warm_up() -> None:
    """Compile the kernels of this module."""
    plane, count = np.ones((3, 4)), np.zeros((1, 1), dtype=np.int64)
    sky = read_only(np.ones((3, 4), dtype=np.uint8))
    first, weights = read_only(np.zeros(4, dtype=np.intp)), read_only(np.ones((4, 4)))
    _subtract(read_only(plane), read_only(plane), first, weights, np.empty((3, 4)))
    _measure_cells(read_only(plane), sky, 4, count, np.zeros((4, 1, 1)))
