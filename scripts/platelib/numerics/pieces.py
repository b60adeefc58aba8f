"""The connected pieces of a mask, as runs of pixels along rows.

Masks of stars, cores or gaps are nearly empty. Eight pixels are read as one word, and only those
of the runs are looked at one by one. So the time is that of reading the mask once, and what is done
with a piece afterwards, such as growing it, costs what the piece is large.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from platelib.numerics.kernels import kernel, read_only


@dataclass(frozen=True)
class Pieces:
    """The pieces of a mask: groups of pixels that touch along sides or corners.

    Attributes
    ----------
    runs : numpy.ndarray
        ``(n, 4)`` int32, in the order of rows: row, first column, column after the last, number of
        the piece. Pieces are numbered from 0, in the order of their first pixels.
    areas : numpy.ndarray
        ``(m,)`` int64: number of pixels.
    boxes : numpy.ndarray
        ``(m, 4)`` int32: first row, row after the last, first column, column after the last.
    """

    runs: np.ndarray
    areas: np.ndarray
    boxes: np.ndarray

    def __len__(self) -> int:
        """Return the number of pieces."""
        return len(self.areas)

    def windows(self) -> Iterator[tuple[slice, slice]]:
        """Yield rows and columns of each piece."""
        for top, bottom, left, right in self.boxes.tolist():
            yield slice(top, bottom), slice(left, right)

    def pixels(self) -> tuple[np.ndarray, np.ndarray]:
        """Return y and x of all pixels, ``(n,)`` int32, in the order of rows."""
        rows, first, stop = self.runs[:, :3].T
        sizes = stop - first
        before = np.cumsum(sizes) - sizes
        places = np.arange(int(sizes.sum())) - np.repeat(before - first, sizes)
        return np.repeat(rows, sizes), places.astype(np.int32)

    def drawn(self, number: int, window: tuple[slice, slice]) -> np.ndarray:
        """Return the pixels of a piece in a window that holds all of it, as a mask."""
        rows, columns = window
        part = np.zeros((rows.stop - rows.start, columns.stop - columns.start), dtype=np.uint8)
        top, bottom = self.boxes[number, :2]
        first, last = np.searchsorted(self.runs[:, 0], (top, bottom))
        _draw(read_only(self.runs[first:last]), number, rows.start, columns.start, part)
        return part.view(bool)

    def grown(self, radii: np.ndarray, mask: np.ndarray) -> None:
        """Set all pixels of a mask within a radius of the pieces.

        Parameters
        ----------
        radii : numpy.ndarray
            ``(m,)`` float64: distance between the middles of pixels; nothing is set where it is
            negative.
        mask : numpy.ndarray
            ``(ny, nx)`` bool.
        """
        _grow_round(read_only(self.runs), read_only(radii), mask.view(np.uint8))

    def grown_square(self, reach: int, mask: np.ndarray, which: np.ndarray | None = None) -> None:
        """Set all pixels of a mask within so many rows and columns of the pieces.

        Parameters
        ----------
        reach : int
        mask : numpy.ndarray
            ``(ny, nx)`` bool.
        which : numpy.ndarray, optional
            ``(m,)`` bool: the pieces that count; all by default.
        """
        runs = self.runs if which is None else self.runs[which[self.runs[:, 3]]]
        _grow_square(read_only(runs), reach, mask.view(np.uint8))


def pieces_of(mask: np.ndarray) -> Pieces:
    """Find the pieces of a mask.

    Parameters
    ----------
    mask : numpy.ndarray
        ``(ny, nx)`` bool, or uint8 with a value other than 0 inside, C-contiguous.
    """
    ny, nx = mask.shape
    flat = read_only(mask.view(np.uint8).reshape(-1))
    words = read_only(flat[: flat.size // 8 * 8].view(np.uint64))
    runs = np.empty((_find_runs(flat, words, nx, np.empty((0, 4), dtype=np.int32)), 4), np.int32)
    _find_runs(flat, words, nx, runs)
    roots = np.arange(len(runs), dtype=np.int32)
    count = _connect(runs, roots)
    areas = np.zeros(count, dtype=np.int64)
    boxes = np.empty((count, 4), dtype=np.int32)
    boxes[:, 0::2], boxes[:, 1::2] = max(ny, nx), 0
    _measure(read_only(runs), areas, boxes)
    return Pieces(runs, areas, boxes)


@kernel
def _find_runs(flat, words, nx, runs):
    """Store the runs of a mask as far as there is room for them; return their number."""
    count, start = 0, -1
    p, end = 0, 0
    row = -1
    while p < flat.size:
        if p == end:
            row += 1
            end += nx
        if start < 0 and p % 8 == 0 and p + 8 <= end and words[p // 8] == 0:
            p += 8
            continue
        if flat[p] != 0 and start < 0:
            start = p
        elif flat[p] == 0 and start >= 0:
            count = _put_run(row, start - (end - nx), p - (end - nx), runs, count)
            start = -1
        p += 1
        if p == end and start >= 0:
            count = _put_run(row, start - (end - nx), nx, runs, count)
            start = -1
    return count


@kernel
def _put_run(row, first, stop, runs, count):
    if count < len(runs):
        run = runs[count]
        run[0], run[1], run[2] = row, first, stop
    return count + 1


@kernel
def _root(roots, k):
    while roots[k] != k:
        roots[k] = roots[roots[k]]
        k = roots[k]
    return k


@kernel
def _connect(runs, roots):
    """Number the pieces that runs belong to; return how many there are."""
    above, here = 0, 0  # runs of the row above begin at the one, those of this row at the other
    for k in range(len(runs)):
        if runs[k, 0] != runs[here, 0]:
            above, here = here, k
        if runs[above, 0] != runs[k, 0] - 1:
            continue
        while above < here and runs[above, 2] < runs[k, 1]:
            above += 1
        for other in range(above, here):
            if runs[other, 1] > runs[k, 2]:
                break
            one, two = _root(roots, other), _root(roots, k)
            if one < two:
                roots[two] = one
            else:
                roots[one] = two
    count = 0
    for k in range(len(runs)):
        root = _root(roots, k)
        if root == k:
            runs[k, 3] = count
            count += 1
        else:
            runs[k, 3] = runs[root, 3]
    return count


@kernel
def _measure(runs, areas, boxes):
    for k in range(len(runs)):
        row, first, stop, number = runs[k, 0], runs[k, 1], runs[k, 2], runs[k, 3]
        areas[number] += stop - first
        box = boxes[number]
        box[0], box[1] = min(box[0], row), max(box[1], row + 1)
        box[2], box[3] = min(box[2], first), max(box[3], stop)


@kernel
def _draw(runs, number, top, left, part):
    for k in range(len(runs)):
        if runs[k, 3] == number:
            line = part[runs[k, 0] - top]
            for x in range(runs[k, 1] - left, runs[k, 2] - left):
                line[x] = 1


@kernel
def _grow_round(runs, radii, mask):
    ny, nx = mask.shape
    for k in range(len(runs)):
        radius = radii[runs[k, 3]]
        if radius < 0:
            continue
        reach = int(radius)
        for y in range(max(0, runs[k, 0] - reach), min(ny, runs[k, 0] + reach + 1)):
            away = y - runs[k, 0]
            half = int(np.sqrt(radius * radius - away * away))
            line = mask[y, max(0, runs[k, 1] - half) : min(nx, runs[k, 2] + half)]
            for x in range(line.size):
                line[x] = 1


@kernel
def _grow_square(runs, reach, mask):
    ny, nx = mask.shape
    for k in range(len(runs)):
        first, stop = max(0, runs[k, 1] - reach), min(nx, runs[k, 2] + reach)
        for y in range(max(0, runs[k, 0] - reach), min(ny, runs[k, 0] + reach + 1)):
            line = mask[y, first:stop]
            for x in range(line.size):
                line[x] = 1


def warm_up() -> None:
    """Compile the kernels of this module."""
    mask = np.zeros((3, 9), dtype=bool)
    mask[1, 2:4] = True
    pieces = pieces_of(mask)
    pieces.drawn(0, next(pieces.windows()))
    pieces.grown(np.ones(1), mask)
    pieces.grown_square(1, mask)
