"""Prefetch many pages of a mapped file at once, which costs less than page faults."""

import contextlib
import mmap

import numpy as np

_POPULATE_READ = 22
"""Number of Linux (since 5.14) that Python's ``mmap`` does not name; other systems refuse it."""

_BLOCK_ROWS = 128


class Pages:
    """Pages of a mapped plane, fetched block by block on first use.

    Parameters
    ----------
    mapped : mmap.mmap
    start : int
        Offset of the plane in the map, bytes.
    rows, row_bytes : int
        Number of rows of the plane, and bytes per row.
    """

    def __init__(self, mapped: mmap.mmap, start: int, rows: int, row_bytes: int):
        self._map, self._start, self._rows, self._row = mapped, start, rows, row_bytes
        self._fetched = [False] * -(-rows // _BLOCK_ROWS)

    def fetch(self, start: int, stop: int) -> None:
        """Fetch rows into memory; this affects only speed."""
        for block in range(start // _BLOCK_ROWS, -(-stop // _BLOCK_ROWS)):
            if not self._fetched[block]:
                self._fetched[block] = True
                self._fetch(block * _BLOCK_ROWS, min((block + 1) * _BLOCK_ROWS, self._rows))

    def _fetch(self, start: int, stop: int) -> None:
        first = (self._start + start * self._row) // mmap.PAGESIZE * mmap.PAGESIZE
        length = self._start + stop * self._row - first
        with contextlib.suppress(OSError, ValueError):
            self._map.madvise(_POPULATE_READ, first, length)


def pages_of(planes: np.memmap) -> list[Pages]:
    """Return the pages of each plane of a mapped array ``(..., ny, nx)``."""
    # A memory map begins at a page of the file, the array somewhere after it.
    start = planes.offset % mmap.ALLOCATIONGRANULARITY
    rows, row_bytes = planes.shape[-2], planes.strides[-2]
    return [
        Pages(planes._mmap, start + k * rows * row_bytes, rows, row_bytes)  # type: ignore[attr-defined]
        for k in range(planes.size // (rows * planes.shape[-1]))
    ]
