"""The tiles of the grid for the integration, and their memory."""

import math
from bisect import bisect_right
from collections.abc import Callable, Iterator
from dataclasses import dataclass

Span = tuple[int, int]
MIB = 1024**2
TILE_COLUMNS = 1024
LEAST_ROWS, LEAST_COLUMNS = 16, 64
TILE_MB = 300
"""Memory that the tile of a thread takes: rows beside it, which are worked on for its sake, are
then few, and the memory does not depend on the number of subs. With a third of it, 80 subs of
16 Mpx take a fifth more processor time, and threads wait for the interpreter."""

KEPT_MB = 100
"""Memory for the rows that tiles share, for all threads: `platefiles.integration.kept_rows`."""

BYTES_A_SAMPLE = 10
"""Value and variance as float32, a flag and the flag after growing."""

MERGED_BYTES_A_SAMPLE = 32
"""Of night stacks: value, variance, weight and tested variance as float32, three counts of 16 bits,
flags, and what growing works in."""

_SHARED_ROWS, _BYTES_KEPT = 16, 9

BYTES_A_RESULT = 27
"""The images of the channel, a pixel of the tile."""

BYTES_OF_SOURCE = 233
"""Taken for granted, a pixel of the tile, for the part of a raw frame which holds a tile as long as
the camera may have been turned by any angle. See `platefiles.subs.calibrated_sub.source_bytes`."""

BASE_MB = 220
"""The interpreter with its libraries and kernels."""


@dataclass(frozen=True)
class Tiling:
    """Tiles of a grid, row after row.

    Attributes
    ----------
    ny, nx : int
        Size of the grid.
    rows, columns : int
        Size of a tile; tiles at the right and bottom edge may be smaller.
    """

    ny: int
    nx: int
    rows: int
    columns: int

    def __iter__(self) -> Iterator[tuple[Span, Span]]:
        """Yield the rows and columns of each tile, as pairs of first and one after the last."""
        for top in range(0, self.ny, self.rows):
            for left in range(0, self.nx, self.columns):
                bottom = min(top + self.rows, self.ny)
                yield (top, bottom), (left, min(left + self.columns, self.nx))


def tiling(
    subs: int,
    shape: tuple[int, int],
    threads: int = 1,
    memory_mb: float = math.inf,
    source_bytes: Callable[[int, int], int] | None = None,
    halo: int = 0,
    sample_bytes: int = BYTES_A_SAMPLE,
) -> Tiling:
    """Choose tiles of ``TILE_MB``, or less if memory is short; they change no bit of the result.

    Parameters
    ----------
    subs : int
        Samples of a pixel: subs, or night stacks.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    threads : int
        Tiles that are worked on at a time.
    memory_mb : float
        Memory of its own that the job may take, MB.
    source_bytes : callable, optional
        Memory of the part of the raw frame for a tile, by rows and columns of the tile; by default
        ``BYTES_OF_SOURCE`` per pixel.
    halo : int
        Rows and columns of margin on each side of a tile.
    sample_bytes : int
        Memory of a sample of a pixel.
    """
    ny, nx = shape
    tile_mb = min(TILE_MB, max(memory_mb - BASE_MB, 0) / threads)

    def taken_mb(rows: int, columns: int) -> float:
        around = min(rows + 2 * halo, ny), min(columns + 2 * halo, nx)
        source = (source_bytes or _most_of_source)(*around)
        samples = math.prod(around) * subs * sample_bytes
        return (samples + rows * columns * BYTES_A_RESULT + source) / MIB

    def most(least: int, size: int, of: Callable[[int], float]) -> int:
        """Return the largest number up to a size that fits into the memory, or the minimum."""
        return least + max(bisect_right(range(least, size + 1), tile_mb, key=of) - 1, 0)

    columns = min(TILE_COLUMNS, nx)
    rows = most(min(LEAST_ROWS, ny), ny, lambda rows: taken_mb(rows, columns))
    columns = most(min(LEAST_COLUMNS, columns), columns, lambda columns: taken_mb(rows, columns))
    return Tiling(ny, nx, rows, columns)


def needed_mb(
    subs: int, shape: tuple[int, int], threads: int = 1, sample_bytes: int = BYTES_A_SAMPLE
) -> int:
    """Return the private memory of the integration, MB.

    It is ``BASE_MB``, the rows that tiles share and, for each thread, a tile of
    ``subs * sample_bytes + BYTES_A_RESULT + BYTES_OF_SOURCE`` bytes a pixel, which is ``TILE_MB``
    unless the grid is smaller, or the smallest tile of very many subs larger. Raw frames and
    masters are mapped files and do not count: the system takes their pages back when memory is
    short. The product is written.

    Parameters
    ----------
    subs : int
        Samples of a pixel: subs, or night stacks.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    threads : int
        Tiles that are worked on at a time.
    sample_bytes : int
        As for `tiling`.
    """
    tiles = tiling(subs, shape, threads, sample_bytes=sample_bytes)
    pixels = threads * tiles.rows * tiles.columns
    of_each = subs * sample_bytes + BYTES_A_RESULT + BYTES_OF_SOURCE
    kept_mb = 0.0
    if tiles.rows < tiles.ny:
        kept_mb = min(KEPT_MB, subs * _SHARED_ROWS * tiles.nx * _BYTES_KEPT / MIB)
    return BASE_MB + math.ceil(pixels * of_each / MIB + kept_mb)


def kept_bytes(threads: int, memory_mb: float) -> float:
    """Return the memory for the rows that tiles share: 0 if tiles need all of it.

    Parameters
    ----------
    threads, memory_mb
        As for `tiling`.
    """
    return MIB * min(KEPT_MB, max(memory_mb - BASE_MB - threads * TILE_MB, 0))


def _most_of_source(rows: int, columns: int) -> int:
    return rows * columns * BYTES_OF_SOURCE
