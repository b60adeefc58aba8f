"""Measure the sky level and noise of a sub in a mesh of cells.

Not every pixel is looked at, but those of a :class:`~platelib.background.sample_grid.Lattice`:
about 700 of a cell tell its level to 0.05 of the noise, and a sub has thousands of cells.
"""

import numpy as np

from platelib.background.mesh import Mesh
from platelib.background.sample_grid import Lattice
from platelib.numerics.kernels import allocating_kernel, kernel
from platelib.numerics.workspace import Room

_CLIP = 3.0
_SKIRT_PX = 3
_FEWEST = 16
_FIRST_LOOK = 160
_LOWER_SIGMA = 0.15865525393145707
_STEPS = 1024
_COARSE, _FEW_BELOW = 8.0, 0.01
_GAP = 32767
_SIDE_BY_SIDE = 288
_BESIDE = ((-1, 0), (0, -1), (0, 1), (1, 0))


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
        See :func:`mesh_of_samples`.
    """
    ny, nx = image.shape
    lattice = Lattice.over((ny, nx), cell_px)
    rows = lattice.shape[0]
    return mesh_of_samples(
        lattice.pick(image[slice(*lattice.image_rows(0, rows))], 0, rows), lattice
    )


def mesh_of_samples(samples: np.ndarray, lattice: Lattice, room: Room | None = None) -> Mesh:
    """Measure sky level and noise in cells from the samples of a lattice.

    Parameters
    ----------
    samples : numpy.ndarray
        ``lattice.shape`` float32; non-finite values are ignored and become infinite.
    lattice : Lattice
    room : Room, optional
        Memory to work in.

    Returns
    -------
    Mesh
        Level: mean of the middle half of the values of a cell, less noisy than the median and as
        little moved by stars. Noise: from the values below the median, which stars do not touch.
        Both after clipping values above 3 sigma; pixels in the wings of clipped sources are
        excluded too, unless few others remain. A cell with too few samples takes the mean of its
        neighbours.
    """
    _make_infinite(samples)
    level, noise, level_steps, noise_steps = np.full((4, *lattice.cells), np.nan, dtype=np.float32)
    edges = lattice.edges()
    in_a_cell = samples.size // level.size
    # A subset of the rows determines the clipping limit.
    _look(samples, np.inf, *edges, max(1, in_a_cell // _FIRST_LOOK), 0.0, level, noise)
    reach = -(-_SKIRT_PX // lattice.row_step), -(-_SKIRT_PX // lattice.column_step)
    steps = (room or Room()).plane("steps", samples.shape, np.int16)
    _count_steps(samples, *edges, level, noise, reach, steps)
    _look(steps, _GAP, *edges, 1, 0.25, level_steps, noise_steps)
    seen = ~np.isnan(level_steps)
    level[seen] += level_steps[seen] * noise[seen] / _STEPS
    noise[seen] *= noise_steps[seen] / _STEPS
    return Mesh(_filled(level), _filled(noise), lattice.image_shape)


def _filled(plane: np.ndarray) -> np.ndarray:
    """Fill cells without a value with the mean of their neighbours, from the rim inwards."""
    unknown = np.isnan(plane)
    while unknown.any() and not unknown.all():
        padded = np.pad(plane, 1, constant_values=np.nan)
        shifted = [
            padded[1 + dy : padded.shape[0] - 1 + dy, 1 + dx : padded.shape[1] - 1 + dx]
            for dy, dx in _BESIDE
        ]
        known = [~np.isnan(neighbour) for neighbour in shifted]
        number = np.sum(known, axis=0)
        total = np.sum([np.where(k, n, 0) for k, n in zip(known, shifted, strict=True)], axis=0)
        reached = unknown & (number > 0)
        plane = np.where(reached, total / np.maximum(number, 1), plane).astype(np.float32)
        unknown &= ~reached
    return plane


@kernel
def _make_infinite(samples):
    """Replace non-finite values by infinity, which sorts last."""
    for r in range(samples.shape[0]):
        line = samples[r]
        for c in range(line.size):
            line[c] = line[c] if np.abs(line[c]) < np.inf else np.float32(np.inf)


@allocating_kernel
def _look(samples, gap, row_edges, column_edges, step, least_share, level, noise):
    """Set level and noise of the cells with enough samples, from every `step`-th row.

    The samples of some rows of cells stand side by side, a column a cell, and are sorted together;
    gaps, with a value above all others, come last.
    """
    my, mx = level.shape
    together = max(1, _SIDE_BY_SIDE // mx)
    width = np.max(np.diff(column_edges))
    rows = (np.max(np.diff(row_edges)) + step - 1) // step
    table = np.empty((rows * width, together * mx), dtype=samples.dtype)
    for first in range(0, my, together):
        last = min(first + together, my)
        for j in range(first, last):
            for k in range(rows):
                r = row_edges[j] + k * step
                part = table[k * width : (k + 1) * width]
                at = (j - first) * mx
                if r < row_edges[j + 1]:
                    _stand_side_by_side(samples[r], gap, column_edges, part, at)
                else:
                    part[:, at : at + mx] = gap
        _sort_columns(table)
        for j in range(first, last):
            usual = (row_edges[j + 1] - row_edges[j] + step - 1) // step * width
            _evaluate(table, gap, (j - first) * mx, least_share * usual, level[j], noise[j])


@kernel
def _stand_side_by_side(samples, gap, column_edges, rows, at):
    """Transpose a row of samples into one column per cell."""
    for i in range(column_edges.size - 1):
        start, stop = column_edges[i], column_edges[i + 1]
        for c in range(start, stop):
            rows[c - start, at + i] = samples[c]
        for c in range(stop - start, rows.shape[0]):
            rows[c, at + i] = gap


@allocating_kernel
def _evaluate(table, gap, at, least, level, noise):
    """Set level and noise of a row of cells from their sorted columns."""
    tops = np.zeros(level.size, dtype=np.int32)
    for i in range(level.size):
        count = np.searchsorted(table[:, at + i], gap)
        if count >= max(_FEWEST, least):
            level[i], noise[i], tops[i] = _clipped(table[:count, at + i])
    _add_middle_half(table, at, tops, level)


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
    """Return median and noise of sorted values after clipping the bright ones."""
    top = values.size
    while True:
        centre = np.float32(0.5) * (values[(top - 1) // 2] + values[top // 2])
        width = centre - values[int(_LOWER_SIGMA * top)]
        kept = np.searchsorted(values[:top], centre + np.float32(_CLIP) * width, side="right")
        if kept >= top or kept < _FEWEST:
            return centre, _without_steps(values, top, width), top
        top = kept


@kernel
def _without_steps(values, top, width):
    """Noise of sorted values that come in steps of an eighth of it or more, as whole counts do.

    Counts are taken as spread evenly over their step, which makes the noise too large by 8 % where
    it is a step and by less than 3 % from 1.3 steps on. It is never less than a step.
    """
    lower, middle = np.float32(_LOWER_SIGMA * top), np.float32(0.5 * top)
    v = values[int(lower)]
    if values[int(lower) - 1] != v and values[int(lower) + 1] != v:
        return width
    first = np.searchsorted(values[:top], v)
    last = np.searchsorted(values[:top], v, side="right")
    if first < _FEW_BELOW * top:
        return width
    step = np.float32(v - values[first - 1])
    if last < top:
        step = min(step, np.float32(values[last] - v))
    if _COARSE * step < width:
        return width
    low = np.float32(v) + step * ((lower - first) / np.float32(last - first) - np.float32(0.5))
    v = values[int(middle)]
    first = np.searchsorted(values[:top], v)
    last = np.searchsorted(values[:top], v, side="right")
    high = np.float32(v) + step * ((middle - first) / np.float32(last - first) - np.float32(0.5))
    return max(high - low, step)


@allocating_kernel
def _add_middle_half(table, at, tops, level):
    """Move levels from the median to the mean of the middle half, which is a third less noisy."""
    cells = level.size
    excess = np.zeros(cells, dtype=np.float32)
    for k in range(table.shape[0]):
        row = table[k, at : at + cells]
        for i in range(cells):
            middle = (k >= tops[i] >> 2) & (k < tops[i] - (tops[i] >> 2))
            excess[i] += row[i] - level[i] if middle else np.float32(0.0)
    for i in range(cells):
        if tops[i] > 0:
            level[i] += excess[i] / np.float32(tops[i] - 2 * (tops[i] >> 2))


@allocating_kernel
def _count_steps(samples, row_edges, column_edges, level, noise, reach, steps):
    """Express samples in steps of the noise of their cells, from the level; half as wide as floats.

    A gap is left of those that a sample above the limit is near to.
    """
    rows, columns = samples.shape
    zero = np.empty(columns, dtype=np.float32)
    per_unit = np.empty(columns, dtype=np.float32)
    bright = np.zeros(columns + 2 * reach[1], dtype=np.uint8)
    spread = np.zeros((2 * reach[0] + 1, columns), dtype=np.uint8)
    j = -1
    for r in range(rows + reach[0]):
        here = spread[r % spread.shape[0]]
        here[:] = 0
        if r < rows:
            while r >= row_edges[j + 1]:
                j += 1
                _set_scale(level[j], noise[j], column_edges, zero, per_unit)
            _count_row(samples[r], zero, per_unit, steps[r])
            _mark_bright(steps[r], bright[reach[1] : reach[1] + columns])
            for shift in range(2 * reach[1] + 1):
                _add(here, bright[shift : shift + columns])
        if r >= reach[0]:
            for k in range(spread.shape[0]):
                _leave_gaps(steps[r - reach[0]], spread[k])


@kernel
def _set_scale(level, noise, column_edges, zero, per_unit):
    for i in range(level.size):
        usable = noise[i] > 0
        zero[column_edges[i] : column_edges[i + 1]] = level[i] if usable else np.float32(0.0)
        scale = np.float32(_STEPS) / noise[i] if usable else np.float32(0.0)
        per_unit[column_edges[i] : column_edges[i + 1]] = scale


@kernel
def _count_row(samples, zero, per_unit, steps):
    lowest, highest = np.float32(1 - _GAP), np.float32(_GAP - 1)
    for c in range(samples.size):
        value = np.rint((samples[c] - zero[c]) * per_unit[c])
        value = min(max(value, lowest), highest)
        steps[c] = np.int16(value) if samples[c] < np.inf else np.int16(_GAP)


@kernel
def _mark_bright(steps, bright):
    for c in range(steps.size):
        bright[c] = (steps[c] > np.int16(_CLIP * _STEPS)) & (steps[c] < np.int16(_GAP))


@kernel
def _add(flags, others):
    for c in range(flags.size):
        flags[c] |= others[c]


@kernel
def _leave_gaps(steps, flags):
    for c in range(steps.size):
        steps[c] = np.int16(_GAP) if flags[c] else steps[c]


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
