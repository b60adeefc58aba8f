"""Kernels that search rows of a sub for stars.

The rows are handed over in two arrays, one above the other, so that those which the last rows of
the first need are there without being copied.
"""

from typing import NamedTuple

import numpy as np

from platelib.background.measure_mesh import interpolate
from platelib.detection.star_table import FLAG_MASKED, FLAG_SATURATED
from platelib.detection.windowed_moments import BOX, WINDOW, WORK, is_extended, star_shape
from platelib.numerics.kernels import allocating_kernel, kernel
from platelib.numerics.mask_bits import BAD, SATURATED

EDGE = WINDOW + 1
"""Stars whose peak is nearer to the edge of a sub are not looked for, pixels."""
SHAPE_COLUMNS = 7
_BLOCK = 32


class Slab(NamedTuple):
    """Rows of a sub in two parts: rows of the previous call, and new ones.

    ``images``, two ``(n, nx)`` float32, bad pixels interpolated; ``masks``, two ``(n, nx)`` uint8:
    1 bad, 2 saturated; ``top``, the number of the first row.
    """

    images: tuple[np.ndarray, np.ndarray]
    masks: tuple[np.ndarray, np.ndarray]
    top: int


class Limits(NamedTuple):
    """The sky and the detection limits of stars.

    ``level`` and ``noise`` of the cells, ``(my, mx)`` float32; ``lines`` and ``floors`` are from
    :func:`limit_lines`.
    """

    level: np.ndarray
    noise: np.ndarray
    lines: np.ndarray
    floors: np.ndarray


class Found(NamedTuple):
    """Arrays that the stars found are put down in.

    ``shapes``, ``(n, SHAPE_COLUMNS)`` float64: x, y, FWHM, ellipticity, flags, angle, light in the
    window. ``centres``, ``(n, 2)`` int32: y, x of the pixel that the star is in. ``squares``,
    ``(n, side, side)`` float32 of odd side: the pixels about that one, as far as the sub has them.
    """

    shapes: np.ndarray
    centres: np.ndarray
    squares: np.ndarray


class Room(NamedTuple):
    """The workspace of the search: smoothed rows, the window of a star, and flags of a row."""

    smooth: np.ndarray
    box: np.ndarray
    work: np.ndarray
    words: np.ndarray
    maxima: np.ndarray
    values: np.ndarray


@allocating_kernel
def search_rows(slab, rows, shape, limits, taps, found, count):
    """Find and measure the stars whose peaks are in some rows.

    A star is a local maximum of the image smoothed by five taps each way, above a limit, and
    extended. A mean is not above the largest of its parts: so only where the image smoothed along
    columns is above the limit is it smoothed along rows as well, which is hardly anywhere.

    Parameters
    ----------
    slab : Slab
    rows : tuple of int
        The rows to be searched, from and to: at least `EDGE` rows, and half a square, away from
        what the arrays lack and the sub has.
    shape : tuple of int
        ``(ny, nx)`` of the sub.
    limits : Limits
    taps : numpy.ndarray
        ``(3,)`` float32: the smoothing, middle and outwards.
    found : Found
        Filled from row ``count`` on.
    count : int
        Stars that are there already.

    Returns
    -------
    count : int
        Stars that are there now.
    row : int
        Row that is to be searched next: the end of ``rows``, unless the arrays ran full before.
    """
    nx = shape[1]
    room = Room(
        np.empty((3, nx), dtype=np.float32),
        np.empty(BOX),
        np.empty(WORK),
        np.zeros(-(-nx // _BLOCK) * _BLOCK // 8 + 1, dtype=np.uint64),
        np.zeros(_BLOCK // 8, dtype=np.uint64),
        np.empty(_BLOCK + 2, dtype=np.float32),
    )
    return _search_rows(slab, rows, shape, limits, taps, found, count, room)


@kernel
def _search_rows(slab, rows, shape, limits, taps, found, count, room):
    ny, nx = shape
    images, top = slab.images, slab.top
    level, lines, floors = limits.level, limits.lines, limits.floors
    first, last = max(rows[0], EDGE), min(rows[1], ny - EDGE)
    # Flags of eight pixels are looked at as one word: nearly all of them are zero.
    smooth, words, maxima, values = room.smooth, room.words, room.maxima, room.values
    blocks = words.size // (_BLOCK // 8)
    over, is_maximum = words.view(np.uint8)[:nx], maxima.view(np.uint8)
    for y in range(first - 1, min(first + 1, last)):
        _smooth_columns(images, y - top, taps, smooth[y % 3])
    for y in range(first, last):
        if len(found.squares) - count < nx // 2:
            return count, y
        _smooth_columns(images, y + 1 - top, taps, smooth[(y + 1) % 3])
        above, here, below = smooth[(y - 1) % 3], smooth[y % 3], smooth[(y + 1) % 3]
        v = min(max((y + 0.5) * level.shape[0] / ny - 0.5, 0.0), level.shape[0] - 1.0)
        j, j1, share = int(v), min(int(v) + 1, level.shape[0] - 1), np.float32(v - int(v))
        _mark_above(here, floors[j], floors[j1], share, over)
        for block in range(blocks):
            if not _any_near(words, block):
                continue
            start, stop = max(_BLOCK * block, EDGE), min(_BLOCK * (block + 1), nx - EDGE)
            is_maximum[:] = 0
            _mark_maxima(here, start, stop, taps, lines[j], lines[j1], share, values, is_maximum)
            for word in range(maxima.size):
                if maxima[word] == 0:
                    continue
                for k in range(8 * word, 8 * word + 8):
                    if is_maximum[k] and _is_peak(above, below, start + k, values[k + 1], taps):
                        count += _add_star(slab, y, start + k, shape, limits, room, found, count)
    return count, rows[1]


@kernel
def _where(pair, y):
    """Return the array of a row, one of two stacked arrays, and its index there."""
    height = pair[0].shape[0]
    return (0, y) if y < height else (1, y - height)


@kernel
def _smooth_columns(images, y, taps, out):
    """Smooth along columns by five taps, for one row."""
    (a, far_up), (b, up), (c, middle_row) = (
        _where(images, y - 2), _where(images, y - 1), _where(images, y),
    )  # fmt: skip
    (d, down), (e, far_down) = _where(images, y + 1), _where(images, y + 2)
    far_above, above, here = images[a][far_up], images[b][up], images[c][middle_row]
    below, far_below = images[d][down], images[e][far_down]
    middle, near, far = taps[0], taps[1], taps[2]
    for x in range(out.size):
        out[x] = (
            middle * here[x] + near * (above[x] + below[x]) + far * (far_above[x] + far_below[x])
        )


@kernel
def _mark_above(row, upper, lower, share, over):
    for x in range(row.size):
        over[x] = row[x] > upper[x] + share * (lower[x] - upper[x])


@kernel
def _any_near(words, block):
    """Return whether any pixel of a block, or of the two on either side, is flagged."""
    first = block * _BLOCK // 8
    some = words[first + _BLOCK // 8] & np.uint64(0xFFFF)
    if block > 0:
        some |= words[first - 1] >> np.uint64(48)
    for word in range(first, first + _BLOCK // 8):
        some |= words[word]
    return some != 0


@kernel
def _mark_maxima(row, start, stop, taps, upper, lower, share, values, is_maximum):
    """Smooth a part of a row and flag values above the limit and above both row neighbours."""
    size = stop - start
    _smooth_row(row[start - 3 : stop + 3], taps, values[: size + 2])
    left, middle, right = values[:size], values[1 : size + 1], values[2 : size + 2]
    upper, lower = upper[start:stop], lower[start:stop]
    for k in range(size):
        limit = upper[k] + share * (lower[k] - upper[k])
        is_maximum[k] = (middle[k] >= left[k]) & (middle[k] > right[k]) & (middle[k] > limit)


@kernel
def _smooth_row(row, taps, out):
    """Smooth along a row by five taps; the ends that these need are left away."""
    far_left, left, here, right, far_right = row[:-4], row[1:-3], row[2:-2], row[3:-1], row[4:]
    middle, near, far = taps[0], taps[1], taps[2]
    for x in range(out.size):
        out[x] = middle * here[x] + near * (left[x] + right[x]) + far * (far_left[x] + far_right[x])


@kernel
def _at(row, x, taps):
    """Value at one pixel of a row smoothed by five taps."""
    return (
        taps[0] * row[x] + taps[1] * (row[x - 1] + row[x + 1]) + taps[2] * (row[x - 2] + row[x + 2])
    )


@kernel
def _is_peak(above, below, x, value, taps):
    """Return whether no neighbour in the rows above and below is larger; of equals, the last."""
    for u in range(x - 1, x + 2):
        if value <= _at(below, u, taps) or value < _at(above, u, taps):
            return False
    return True


@kernel
def _add_star(slab, y, x, shape, limits, room, found, count):
    """Measure the source at a peak; return 1 if it is a star and was stored, else 0."""
    images, top, box = slab.images, slab.top, room.box
    sky = interpolate(limits.level, shape, y, x)
    (a, above), (b, here), (c, below) = (
        _where(images, y - 1 - top), _where(images, y - top), _where(images, y + 1 - top),
    )  # fmt: skip
    if not is_extended(
        images[a][above],
        images[b][here],
        images[c][below],
        x,
        sky,
        interpolate(limits.noise, shape, y, x),
    ):
        return 0
    for v in range(BOX[0]):
        k, row = _where(images, y - WINDOW + v - top)
        line, into = images[k][row, x - WINDOW : x - WINDOW + BOX[1]], box[v]
        for u in range(BOX[1]):
            into[u] = line[u] - sky
    dx, dy, fwhm, ellipticity, angle, light, ok = star_shape(box, room.work)
    if not ok:
        return 0
    row, centre = found.shapes[count], found.centres[count]
    row[0], row[1], row[2], row[3] = x + dx, y + dy, fwhm, ellipticity
    row[4], row[5], row[6] = _flags(slab.masks, y - top, x), angle, light
    centre[0], centre[1] = int(np.rint(y + dy)), int(np.rint(x + dx))
    _cut_out(images, centre[0] - top, centre[1], found.squares[count])
    return 1


@kernel
def _flags(masks, y, x):
    flags = 0
    for v in range(y - 2, y + 3):
        k, row = _where(masks, v)
        line = masks[k][row]
        for u in range(x - 2, x + 3):
            if line[u] & SATURATED:
                flags |= FLAG_SATURATED
            if line[u] & BAD:
                flags |= FLAG_MASKED
    return flags


@kernel
def _cut_out(images, y, x, square):
    """Copy the pixels around a pixel, clipped at the edges."""
    side = square.shape[0]
    half = side // 2
    first, last = max(0, half - x), min(side, images[1].shape[1] + half - x)
    rows = images[0].shape[0] + images[1].shape[0]
    for v in range(max(0, half - y), min(side, rows + half - y)):
        k, row = _where(images, y - half + v)
        line, into = images[k][row, x - half + first : x - half + last], square[v, first:last]
        for u in range(into.size):
            into[u] = line[u]


@allocating_kernel
def limit_lines(mesh, nx):
    """Interpolate the rows of a mesh to every column of an image.

    Parameters
    ----------
    mesh : numpy.ndarray
        ``(my, mx)`` float32.
    nx : int
        Width of the image.

    Returns
    -------
    lines, floors : numpy.ndarray
        ``(my, nx)`` float32: the values, and the least of those within two columns.
    """
    my, mx = mesh.shape
    left = np.empty(nx, dtype=np.int64)
    share = np.empty(nx, dtype=np.float32)
    for x in range(nx):
        u = min(max((x + 0.5) * mx / nx - 0.5, 0.0), mx - 1.0)
        left[x] = min(int(u), max(mx - 2, 0))
        share[x] = np.float32(u - left[x])
    lines = np.empty((my, nx), dtype=np.float32)
    floors = np.empty((my, nx), dtype=np.float32)
    for j in range(my):
        values, line, floor = mesh[j], lines[j], floors[j]
        for x in range(nx):
            value = values[left[x]]
            line[x] = value + share[x] * (values[min(left[x] + 1, mx - 1)] - value)
        floor[:] = line
        for shift in range(1, min(3, nx)):
            for x in range(nx - shift):
                floor[x] = min(floor[x], line[x + shift])
            for x in range(shift, nx):
                floor[x] = min(floor[x], line[x - shift])
    return lines, floors


def warm_up() -> None:
    """Compile the kernels of this module."""
    y, x = np.mgrid[:24, :24].astype(np.float32)
    image = 5000 * np.exp(-((x - 12) ** 2 + (y - 11) ** 2) / 4).astype(np.float32)
    image = image.astype(np.float32)
    mask = np.zeros(image.shape, dtype=np.uint8)
    level = np.ones((1, 1), dtype=np.float32)
    search_rows(
        Slab((image[:12], image[12:]), (mask[:12], mask[12:]), 0),
        (0, 24),
        image.shape,
        Limits(level, level, *limit_lines(level, 24)),
        np.array([0.4, 0.2, 0.1], dtype=np.float32),
        Found(
            np.empty((20, SHAPE_COLUMNS)),
            np.empty((20, 2), dtype=np.int32),
            np.empty((20, 7, 7), dtype=np.float32),
        ),
        0,
    )
