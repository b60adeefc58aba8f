"""How the grid is cut into tiles for the integration, and how much memory they take."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

Span = tuple[int, int]
MIB = 1024**2
TILE_COLUMNS = 1024
LEAST_ROWS, LEAST_COLUMNS = 16, 64
TILE_MB = 100
"""Memory that the tile of a thread takes: rows beside it, which are worked on for its sake, are
then few, and the memory does not depend on the number of subs."""

BYTES_A_SAMPLE = 10
"""Value and variance as float32, a flag and the flag after growing."""

BYTES_A_PIXEL = 260
"""What a thread needs beside the samples, per pixel of a tile: most where the camera was turned by
45 degrees, since the part of the raw frame that holds a tile is then six times as large. It is held
calibrated, 9 bytes a pixel, and again with rows and columns exchanged, and so are the calibration
lines of two corrections there, 8 bytes each with a margin; the tile's results take 27."""

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
        Size of a tile; those at the right and lower edge may be smaller.
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
    subs: int, shape: tuple[int, int], threads: int = 1, memory_mb: float = math.inf
) -> Tiling:
    """Choose tiles of ``TILE_MB``, or less where memory is short; they change no bit of the result.

    Parameters
    ----------
    subs : int
        Subs of the channel.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    threads : int
        Tiles that are worked on at a time.
    memory_mb : float
        Memory of its own that the job may take, MB.
    """
    ny, nx = shape
    columns = min(TILE_COLUMNS, nx)
    tile_mb = min(TILE_MB, max(memory_mb - BASE_MB, 0) / threads)
    pixels = tile_mb * MIB / _bytes_a_pixel(subs)
    rows = int(min(max(pixels / columns, LEAST_ROWS), ny))
    columns = int(min(max(pixels / rows, LEAST_COLUMNS), columns))
    return Tiling(ny, nx, rows, columns)


def needed_mb(subs: int, shape: tuple[int, int], threads: int = 1) -> int:
    """Return the memory of its own that integrating takes, MB.

    It is ``BASE_MB`` and, for each thread, a tile of ``subs * BYTES_A_SAMPLE + BYTES_A_PIXEL``
    bytes a pixel, which is ``TILE_MB`` unless the grid is smaller, or the smallest tile of very
    many subs larger. Raw frames and masters are mapped files and do not count: the system takes
    their pages back when memory is short. The product is written.

    Parameters
    ----------
    subs : int
        Subs of the channel.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    threads : int
        Tiles that are worked on at a time.
    """
    tiles = tiling(subs, shape, threads)
    pixels = threads * tiles.rows * tiles.columns
    return BASE_MB + math.ceil(pixels * _bytes_a_pixel(subs) / MIB)


def _bytes_a_pixel(subs: int) -> int:
    return subs * BYTES_A_SAMPLE + BYTES_A_PIXEL
