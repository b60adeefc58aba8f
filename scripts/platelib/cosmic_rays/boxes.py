"""Small parts of a frame, copied one at a time into a buffer of fixed width.

A *box* is a part of the frame. It is copied with ``HALO`` pixels around into a flat buffer whose
rows lie ``STRIDE`` apart. An *area* is ``(first row, row after the last, first column, column after
the last)``, counted from the corner of the buffer. Loops run over the columns of one row: with a
constant stride they become vector instructions, and a box stays in the fast memory of a core.
"""

import numpy as np

from platelib.numerics.kernels import kernel

ROWS, COLUMNS = 32, 48
HALO = 8
STRIDE = COLUMNS + 2 * HALO
ROOM = (ROWS + 2 * HALO) * STRIDE


def boxes_of(shape: tuple[int, int], edge: int) -> np.ndarray:
    """Lay boxes over a frame, less its edges.

    Parameters
    ----------
    shape : tuple of int
        ``(ny, nx)``.
    edge : int
        Pixels along each edge that belong to no box.

    Returns
    -------
    numpy.ndarray
        ``(n, m, 4)`` int64, ``n`` boxes above each other and ``m`` beside each other: first row,
        row after the last, first column, column after the last.
    """
    rows, columns = (
        [(start, min(start + size, length - edge)) for start in range(edge, length - edge, size)]
        for size, length in zip((ROWS, COLUMNS), shape, strict=True)
    )
    boxes = [[(*row, *column) for column in columns] for row in rows]
    return np.array(boxes, dtype=np.int64).reshape(len(rows), len(columns), 4)


@kernel
def lower(a, b):
    """Return the lower of two values."""
    return a if a < b else b


@kernel
def upper(a, b):
    """Return the higher of two values."""
    return b if a < b else a


@kernel
def widen_boxes(boxes, edge, y, x, shape):
    """Widen the boxes, which may be empty, to all of their pixels within ``HALO`` of one pixel."""
    low_y, high_y = max(y - HALO, edge), min(y + HALO + 1, shape[0] - edge)
    low_x, high_x = max(x - HALO, edge), min(x + HALO + 1, shape[1] - edge)
    for i in range((low_y - edge) // ROWS, (high_y - 1 - edge) // ROWS + 1):
        for j in range((low_x - edge) // COLUMNS, (high_x - 1 - edge) // COLUMNS + 1):
            top, left = edge + i * ROWS, edge + j * COLUMNS
            new = (
                max(low_y, top),
                min(high_y, top + ROWS),
                max(low_x, left),
                min(high_x, left + COLUMNS),
            )
            box = boxes[i, j]
            empty = box[0] == box[1]
            for k in (0, 2):
                box[k] = new[k] if empty else min(box[k], new[k])
                box[k + 1] = new[k + 1] if empty else max(box[k + 1], new[k + 1])


@kernel
def grown(area, by):
    """Area with ``by`` pixels more on each side."""
    return area[0] - by, area[1] + by, area[2] - by, area[3] + by


@kernel
def common(area, other):
    """Return the overlap of two areas."""
    return (
        max(area[0], other[0]),
        min(area[1], other[1]),
        max(area[2], other[2]),
        min(area[3], other[3]),
    )


@kernel
def load(plane, area, frame, top, left, buffer):
    """Copy an area of a plane whose corner of the buffer is at ``top``, ``left``.

    ``frame`` is the area of the whole plane; beyond it the buffer gets zeros.
    """
    inside = common(area, frame)
    if inside != area:
        buffer[:] = 0
    n = inside[3] - inside[2]
    for y in range(inside[0], inside[1]):
        line = plane[y + top, inside[2] + left :]
        target = buffer[y * STRIDE + inside[2] :]
        for x in range(n):
            target[x] = line[x]


@kernel
def copy(source, area, target):
    """Copy an area from buffer to buffer."""
    n = area[3] - area[2]
    for y in range(area[0], area[1]):
        line, to = source[y * STRIDE + area[2] :], target[y * STRIDE + area[2] :]
        for x in range(n):
            to[x] = line[x]


@kernel
def subtract(other, area, values):
    """Subtract another buffer in place."""
    n = area[3] - area[2]
    for y in range(area[0], area[1]):
        line, less = values[y * STRIDE + area[2] :], other[y * STRIDE + area[2] :]
        for x in range(n):
            line[x] -= less[x]


@kernel
def least(values, area):
    """Least value of an area."""
    n = area[3] - area[2]
    found = np.float32(np.inf)
    for y in range(area[0], area[1]):
        line = values[y * STRIDE + area[2] :]
        for x in range(n):
            found = lower(line[x], found)
    return found


@kernel
def any_above(values, area, limit):
    """Return whether any value of an area is above a limit."""
    n = area[3] - area[2]
    some = False
    for y in range(area[0], area[1]):
        line = values[y * STRIDE + area[2] :]
        for x in range(n):
            some |= line[x] > limit
    return some
