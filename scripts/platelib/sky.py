"""Sky level and noise of a sub, measured in a mesh of cells.

Not every pixel is looked at: about 700 of a cell tell its level to 0.05 of the noise, and a sub
has thousands of cells. The pixels stand on a lattice of odd row distance whose columns are
staggered, so that a pattern of even and odd rows or columns of the sensor is met in all its parts.
"""

import numpy as np

from platelib.detections import Mesh
from platelib.kernels import kernel

_CLIP = 3.0
_SKIRT_PX = 3
_FEWEST = 16
_FIRST_LOOK = 256
_LEAST_SAMPLES = 100_000
_LOWER_SIGMA = 0.15865525393145707


def sky_mesh(image: np.ndarray, cell_px: int) -> Mesh:
    """Measure sky level and noise in cells.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32; what is not finite does not count.
    cell_px : int
        Side of a cell, pixels.

    Returns
    -------
    Mesh
        Level: mean of the middle half of the values of a cell, less noisy than the median and as
        little moved by stars. Noise: from the values below the median, which stars do not touch.
        Both after clipping what is brighter than 3 sigma; pixels in the skirts of what is brighter
        are left out too, unless little else is there.
    """
    ny, nx = image.shape
    row_step, column_step = _steps(ny * nx, cell_px)
    samples = np.empty((_first(ny, row_step), nx // column_step), dtype=np.float32)
    usable = np.empty(samples.shape, dtype=np.uint8)
    _thin_out(image, row_step, column_step, samples, usable)
    level = np.full((max(1, ny // cell_px), max(1, nx // cell_px)), np.nan, dtype=np.float32)
    noise = level.copy()
    row_edges = _first(np.arange(level.shape[0] + 1) * ny // level.shape[0], row_step)
    column_edges = np.arange(level.shape[1] + 1) * nx // level.shape[1] // column_step
    edges = (row_edges, column_edges)
    in_a_cell = samples.size // level.size
    # A look at some of the rows tells what is bright.
    _look(samples, usable, *edges, max(1, in_a_cell // _FIRST_LOOK), 0.0, level, noise)
    reach = -(-_SKIRT_PX // row_step), -(-_SKIRT_PX // column_step)
    dark = np.empty_like(usable)
    _leave_out_skirts(samples, usable, *edges, level, noise, reach, dark)
    _look(samples, dark, *edges, 1, 0.25, level, noise)
    return Mesh(_filled(level), _filled(noise), image.shape)


def _steps(pixels: int, cell_px: int) -> tuple[int, int]:
    """Distances of the rows and columns that are looked at; a small image is looked at closely."""
    row_step, column_step = max(1, cell_px // 21) | 1, max(1, cell_px // 32)
    if pixels < _LEAST_SAMPLES * row_step * column_step:
        column_step = 1
    if pixels < _LEAST_SAMPLES * row_step:
        row_step = 1
    return row_step, column_step


def _first(row, step: int):
    """Number of the first sample at or above a row; sample 0 is in the middle of ``step`` rows."""
    return (row + step // 2) // step


def _filled(plane: np.ndarray) -> np.ndarray:
    if np.isnan(plane).all():
        return plane
    return np.where(np.isnan(plane), np.float32(np.nanmedian(plane)), plane)


@kernel
def _thin_out(image, row_step, column_step, samples, usable):
    """Copy the pixels of the lattice; what is not finite becomes infinity and unusable."""
    for r in range(samples.shape[0]):
        line = image[r * row_step + row_step // 2, (r >> 1) % column_step :]
        for c in range(samples.shape[1]):
            value = line[c * column_step]
            finite = np.abs(value) < np.inf
            samples[r, c] = value if finite else np.float32(np.inf)
            usable[r, c] = finite


@kernel
def _look(samples, use, row_edges, column_edges, step, least_share, level, noise):
    """Set level and noise of the cells that have enough samples; look at every so manieth row.

    The samples of a row of cells stand side by side, a column a cell, and are sorted together.
    """
    cells = level.shape[1]
    width = np.max(np.diff(column_edges))
    deepest = (np.max(np.diff(row_edges)) + step - 1) // step * width
    table = np.empty((deepest, cells), dtype=np.float32)
    counts = np.empty(cells, dtype=np.int32)
    tops = np.empty(cells, dtype=np.int32)
    for j in range(level.shape[0]):
        depth = 0
        counts[:] = 0
        for r in range(row_edges[j], row_edges[j + 1], step):
            _stand_side_by_side(samples[r], use[r], column_edges, table[depth : depth + width])
            for i in range(cells):
                counts[i] += np.sum(use[r, column_edges[i] : column_edges[i + 1]])
            depth += width
        _sort_columns(table[:depth])
        for i in range(cells):
            if counts[i] >= max(_FEWEST, least_share * depth):
                level[j, i], noise[j, i], tops[i] = _clipped(table[: counts[i], i])
            else:
                tops[i] = 0
        _add_middle_half(table[:depth], tops, level[j])


@kernel
def _stand_side_by_side(samples, use, column_edges, rows):
    """Turn a row of samples into one column a cell; gaps are infinite."""
    width, cells = rows.shape
    for i in range(cells):
        start, stop = column_edges[i], column_edges[i + 1]
        for c in range(start, stop):
            rows[c - start, i] = samples[c] if use[c] else np.float32(np.inf)
        for c in range(stop - start, width):
            rows[c, i] = np.inf


@kernel
def _sort_columns(table):
    """Sort every column, by Batcher's merge exchange (Knuth 1973, section 5.2.2, algorithm M).

    What is compared does not depend on the values: each step is one minimum and maximum of two
    rows, for all columns at once.
    """
    size = table.shape[0]
    top = 1
    while 2 * top < size:
        top *= 2
    p = top
    while p > 0:
        q, r, d = top, 0, p
        while True:
            for start in range(r, size - d, 2 * p):
                for k in range(start, min(start + p, size - d)):
                    low = table[k]
                    high = table[k + d]
                    for i in range(low.size):
                        a = low[i]
                        b = high[i]
                        low[i] = a if a < b else b
                        high[i] = b if a < b else a
            if q == p:
                break
            d, q, r = q - p, q // 2, p
        p //= 2


@kernel
def _clipped(values):
    """Median and noise of sorted values after clipping what is bright."""
    top = values.size
    while True:
        centre = np.float32(0.5) * (values[(top - 1) // 2] + values[top // 2])
        width = centre - values[int(_LOWER_SIGMA * top)]
        kept = np.searchsorted(values[:top], centre + np.float32(_CLIP) * width, side="right")
        if kept >= top or kept < _FEWEST:
            return centre, width, top
        top = kept


@kernel
def _add_middle_half(table, tops, level):
    """Move levels from the median to the mean of the middle half, which is a third less noisy."""
    cells = level.size
    excess = np.zeros(cells, dtype=np.float32)
    for k in range(table.shape[0]):
        row = table[k]
        for i in range(cells):
            middle = (k >= tops[i] >> 2) & (k < tops[i] - (tops[i] >> 2))
            excess[i] += row[i] - level[i] if middle else np.float32(0.0)
    for i in range(cells):
        if tops[i] > 0:
            level[i] += excess[i] / np.float32(tops[i] - 2 * (tops[i] >> 2))


@kernel
def _leave_out_skirts(samples, usable, row_edges, column_edges, level, noise, reach, dark):
    """Mark the samples that no sample above the limit of its cell is near to."""
    rows, columns = samples.shape
    spread = np.zeros((rows, columns), dtype=np.uint8)
    limit = np.empty(columns, dtype=np.float32)
    bright = np.zeros(columns + 2 * reach[1], dtype=np.uint8)
    for j in range(level.shape[0]):
        for i in range(level.shape[1]):
            limit[column_edges[i] : column_edges[i + 1]] = level[j, i] + _CLIP * noise[j, i]
        for r in range(row_edges[j], row_edges[j + 1]):
            _mark_above(samples[r], usable[r], limit, bright[reach[1] : reach[1] + columns])
            for shift in range(2 * reach[1] + 1):
                _add(spread[r], bright[shift : shift + columns])
    dark[:] = usable
    for r in range(rows):
        for near in range(max(0, r - reach[0]), min(rows, r + reach[0] + 1)):
            _take_away(dark[r], spread[near])


@kernel
def _mark_above(samples, usable, limit, bright):
    for c in range(samples.size):
        bright[c] = usable[c] if samples[c] > limit[c] else np.uint8(0)


@kernel
def _add(flags, others):
    for c in range(flags.size):
        flags[c] |= others[c]


@kernel
def _take_away(flags, others):
    for c in range(flags.size):
        flags[c] &= ~others[c]


@kernel
def interpolate(mesh, shape, y, x):
    """Bilinear value of a mesh of an image's cells at a pixel; level beyond the outer centres."""
    ny, nx = shape
    my, mx = mesh.shape
    v = min(max((y + 0.5) * my / ny - 0.5, 0.0), my - 1.0)
    u = min(max((x + 0.5) * mx / nx - 0.5, 0.0), mx - 1.0)
    j = min(int(v), max(my - 2, 0))
    i = min(int(u), max(mx - 2, 0))
    j1 = min(j + 1, my - 1)
    i1 = min(i + 1, mx - 1)
    fy = v - j
    fx = u - i
    upper = mesh[j, i] * (1 - fx) + mesh[j, i1] * fx
    lower = mesh[j1, i] * (1 - fx) + mesh[j1, i1] * fx
    return upper * (1 - fy) + lower * fy


def warm_up() -> None:
    """Compile the kernels of this module."""
    image = np.arange(48.0 * 48).reshape(48, 48).astype(np.float32)
    mesh = sky_mesh(image, 16)
    interpolate(mesh.level, image.shape, 1.0, 1.0)
