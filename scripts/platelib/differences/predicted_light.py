"""The predicted light of a sub: the reference convolved to the PSF of the sub.

Only blocks in which the reference has light are convolved. Elsewhere its values pass multiplied by
the sum of the kernel, since a kernel changes nothing in a smooth sky.
"""

import numpy as np

from platelib.background.measure_mesh import sky_mesh
from platelib.detection.peaks import limit_lines
from platelib.differences.varying_kernel import VaryingKernel
from platelib.numerics.kernels import kernel, read_only

BLOCK = 16
"""Side of a block, px."""
_MOST_BLOCKS = 8
"""Blocks of a row that are convolved at a time, by the kernel of the middle one."""
LIT = 1.5
"""Mean of 3 x 3 pixels of the reference, over the noise of a pixel of the sub, from which there is
light. A star at the limit has a signal-to-noise ratio of 5 in the sub; unequal star images leave a
fifth of it."""
_SURE = 4.5
"""The same over the noise of the reference, so that blocks are not lit by chance."""
_CORRELATED = 1.4
"""Noise of a mean of 3 x 3 resampled pixels over that of independent ones."""
_CELL_PX = 64
_LARGEST_MISSING = 0.05
_SUMS_EVERY = 64


def lit_blocks(reference: np.ndarray, sub_noise: float, reach: int) -> np.ndarray:
    """Return the blocks in which a reference has light that a kernel changes.

    Parameters
    ----------
    reference : numpy.ndarray
        ``(ny, nx)`` float32; NaN = no data.
    sub_noise : float
        Noise of the sky of the sub, or of the best of several.
    reach : int
        Pixels around such light that are convolved as well.

    Returns
    -------
    numpy.ndarray
        ``(rows, columns)`` bool, of blocks of 16 x 16 px.
    """
    ny, nx = reference.shape
    mesh = sky_mesh(reference, _CELL_PX)
    level = np.nan_to_num(mesh.level)
    limit = np.maximum(3.0 * LIT * sub_noise, _CORRELATED * _SURE * np.nan_to_num(mesh.noise))
    lit = np.zeros((-(-ny // BLOCK), -(-nx // BLOCK)), dtype=np.uint8)
    lines = np.empty((5, nx + 2), dtype=np.float32)
    flags = np.empty(nx, dtype=np.uint8)
    floor, _ = limit_lines((9.0 * level + 3.0 * limit).astype(np.float32), nx)
    _find_lit(read_only(reference), read_only(floor), reach, lines, flags, lit)
    return lit.view(bool)


def runs_of(lit: np.ndarray, rows: tuple[int, int]) -> np.ndarray:
    """Return the runs of at most 8 lit blocks in some rows of pixels.

    Parameters
    ----------
    lit : numpy.ndarray
        From `lit_blocks`.
    rows : tuple of int
        First row and the one after the last; the first is a multiple of 16.

    Returns
    -------
    numpy.ndarray
        ``(n, 3)`` int64: row of blocks, first column of blocks and the one after the last.
    """
    first = rows[0] // BLOCK
    part = lit[first : -(-rows[1] // BLOCK)]
    padded = np.zeros((len(part), lit.shape[1] + 2), dtype=np.int8)
    padded[:, 1:-1] = part
    at, edges = np.nonzero(np.diff(padded, axis=1))
    row, start, stop = at[::2], edges[::2], edges[1::2]
    pieces = -(-(stop - start) // _MOST_BLOCKS)
    number = np.arange(int(pieces.sum())) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    left = np.repeat(start, pieces) + number * _MOST_BLOCKS
    right = np.minimum(left + _MOST_BLOCKS, np.repeat(stop, pieces))
    return np.stack([np.repeat(row, pieces) + first, left, right], axis=1)


def predict_light(
    reference: np.ndarray,
    first_row: int,
    lit: np.ndarray,
    matching: VaryingKernel,
    rows: tuple[int, int],
    light: np.ndarray,
) -> None:
    """Fill in the light that a sub should show in some rows.

    Parameters
    ----------
    reference : numpy.ndarray
        ``(m, nx)`` float32, less its sky: the rows, and as many around them as the kernel reaches,
        as far as the field has them. NaN = no data.
    first_row : int
        Place of its first row in the field.
    lit : numpy.ndarray
        From `lit_blocks`.
    matching : VaryingKernel
    rows : tuple of int
        First row and the one after the last; the first is a multiple of 16.
    light : numpy.ndarray
        ``(n, nx)`` float32, filled; NaN where more than 5 % of a kernel, by absolute values, has no
        data.
    """
    nx = reference.shape[1]
    runs = runs_of(lit, rows)
    middles = (runs[:, 1] + runs[:, 2]) * (BLOCK / 2), (runs[:, 0] + 0.5) * BLOCK
    taps = matching.taps(*middles)
    step = np.arange(0, nx + _SUMS_EVERY, _SUMS_EVERY)
    sums = matching.scale_at(step, np.full(len(step), sum(rows) / 2))
    scale = np.interp(np.arange(nx), step, sums).astype(np.float32)
    height, width = BLOCK + 2 * matching.radius, _MOST_BLOCKS * BLOCK + 2 * matching.radius
    room = np.empty((5, height, width), dtype=np.float32)
    place = (first_row, rows[0])
    _predict(read_only(reference), place, runs, read_only(taps), scale, light, room)


@kernel
def _find_lit(reference, floor, reach, lines, flags, lit):
    """Mark the blocks near pixels whose 3 x 3 neighbourhood exceeds a limit."""
    ny, nx = reference.shape
    lines[:] = np.float32(0)
    total, limit = lines[3], lines[4, :nx]
    cells = floor.shape[0]
    for y in range(ny + 1):
        here = lines[y % 3]
        if y < ny:
            _copy_known(reference[y], here[1 : nx + 1])
        else:
            here[:] = np.float32(0)
        if y == 0:
            continue
        v = min(max((y - 0.5) * cells / ny - 0.5, 0.0), cells - 1.0)
        j = int(v)
        mix(floor[j], floor[min(j + 1, cells - 1)], np.float32(v - j), limit)
        _add_three(lines[0], lines[1], lines[2], total)
        if _exceeds(total, limit, flags):
            _light_up(flags, y - 1, reach, ny, lit)


@kernel
def _light_up(flags, y, reach, ny, lit):
    nx = flags.size
    top, bottom = max(y - reach, 0) // BLOCK, min(y + reach, ny - 1) // BLOCK
    for x in range(nx):
        if flags[x]:
            for v in range(top, bottom + 1):
                for u in range(max(x - reach, 0) // BLOCK, min(x + reach, nx - 1) // BLOCK + 1):
                    lit[v, u] = 1


@kernel
def _copy_known(line, out):
    for x in range(out.size):
        value = line[x]
        out[x] = value if value == value else np.float32(0)


@kernel
def mix(one, other, share, out):
    """Fill a line with the mean of two, ``share`` of the second."""
    for x in range(out.size):
        out[x] = one[x] + share * (other[x] - one[x])


@kernel
def _add_three(one, other, third, total):
    for x in range(total.size):
        total[x] = one[x] + other[x] + third[x]


@kernel
def _exceeds(total, limit, flags):
    left, here, right = total[:-2], total[1:-1], total[2:]
    found = np.uint8(0)
    for x in range(flags.size):
        flag = np.uint8(left[x] + here[x] + right[x] > limit[x])
        flags[x] = flag
        found = np.uint8(found | flag)
    return found != np.uint8(0)


@kernel
def _predict(reference, place, runs, taps, scale, light, room):
    """Fill the light of rows: scaled, and convolved where it is lit."""
    top, first = place
    for y in range(light.shape[0]):
        _scale_line(reference[first + y - top], scale, light[y])
    for k in range(runs.shape[0]):
        row = runs[k, 0] * BLOCK - first
        height = min(BLOCK, light.shape[0] - row)
        left, right = runs[k, 1] * BLOCK, min(runs[k, 2] * BLOCK, light.shape[1])
        at = row + first - top
        _convolve_part(reference, at, left, taps[k], light[row : row + height, left:right], room)


@kernel
def _scale_line(line, scale, out):
    for x in range(out.size):
        out[x] = scale[x] * line[x]


@kernel
def _convolve_part(reference, row, left, taps, light, room):
    radius = taps.shape[0] // 2
    height, width = light.shape
    gaps = _fill_room(
        reference, row - radius, left - radius, height + 2 * radius, width + 2 * radius, room
    )
    _correlate(room[0], taps, light)
    if not gaps:
        return
    full = np.float32(0)
    for v in range(taps.shape[0]):
        for u in range(taps.shape[1]):
            room[2, v, u] = abs(taps[v, u])
            full += abs(taps[v, u])
    missing = room[3, :height, :width]
    _correlate(room[1], room[2, : taps.shape[0], : taps.shape[1]], missing)
    for y in range(height):
        for x in range(width):
            if missing[y, x] > np.float32(_LARGEST_MISSING) * full:
                light[y, x] = np.nan


@kernel
def _fill_room(reference, top, left, height, width, room):
    """Copy a part of the reference, 0 where it has no data; return whether any is missing.

    Beyond the edge of the field its last rows and columns are repeated.
    """
    ny, nx = reference.shape
    gaps = False
    for v in range(height):
        line = reference[min(max(top + v, 0), ny - 1)]
        values, missing = room[0, v], room[1, v]
        for u in range(width):
            value = line[min(max(left + u, 0), nx - 1)]
            known = value == value
            values[u] = value if known else np.float32(0)
            missing[u] = np.float32(0) if known else np.float32(1)
            gaps |= not known
    return gaps


@kernel
def _correlate(plane, taps, sums):
    height, width = sums.shape
    for y in range(height):
        line = sums[y]
        line[:] = np.float32(0)
        for v in range(taps.shape[0]):
            for u in range(taps.shape[1]):
                add_scaled(plane[y + v, u : u + width], taps[v, u], line)


@kernel
def add_scaled(line, factor, total):
    """Add a multiple of a line to another."""
    for x in range(total.size):
        total[x] += factor * line[x]
