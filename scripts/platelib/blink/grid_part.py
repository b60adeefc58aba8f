"""The part of the grid that frames show, and by how much it is reduced."""

import math
from dataclasses import dataclass

WIDEST_PX = 1000
"""Longer side of frames of the whole grid, pixels."""


@dataclass(frozen=True)
class GridPart:
    """Rows and columns of the grid, shown in squares of pixels.

    Attributes
    ----------
    rows, columns : tuple of int
        First one and the one after the last.
    factor : int
        Side of the squares that are averaged to a pixel of a frame.
    """

    rows: tuple[int, int]
    columns: tuple[int, int]
    factor: int = 1

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of a frame; incomplete squares at the far edges are left out."""
        (bottom, top), (left, right) = self.rows, self.columns
        return (top - bottom) // self.factor, (right - left) // self.factor

    def frame_place(self, x: float, y: float) -> tuple[float, float]:
        """Return the place in a frame of a place on the grid, both 0-based."""
        left, bottom = self.columns[0], self.rows[0]
        return (x - left + 0.5) / self.factor - 0.5, (y - bottom + 0.5) / self.factor - 0.5

    def strips(self, pixels: int) -> list[tuple[int, int]]:
        """Return rows of a frame, first and one after the last, of about so many grid pixels."""
        width = self.columns[1] - self.columns[0]
        step = max(1, pixels // (self.factor * width))
        return [(y, min(y + step, self.shape[0])) for y in range(0, self.shape[0], step)]

    @property
    def middle(self) -> tuple[float, float]:
        """Middle of the part on the grid: x and y, 0-based."""
        (bottom, top), (left, right) = self.rows, self.columns
        return (left + right - 1) / 2, (bottom + top - 1) / 2


def whole_grid(shape: tuple[int, int], widest_px: int = WIDEST_PX) -> GridPart:
    """Return the whole grid, reduced by the smallest whole factor to a width and height."""
    ny, nx = shape
    return GridPart((0, ny), (0, nx), max(1, -(-max(shape) // widest_px)))


def cut_out(shape: tuple[int, int], x: float, y: float, size: tuple[int, int]) -> GridPart:
    """Return a part of the grid at full scale, cut at the edges of the grid.

    Parameters
    ----------
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    x, y : float
        Its middle, 0-based.
    size : tuple of int
        Columns and rows.

    Raises
    ------
    ValueError
        If none of it lies on the grid.
    """
    ny, nx = shape
    if not (-size[0] < x < nx + size[0] and -size[1] < y < ny + size[1]):
        raise ValueError(_outside(x, y, shape))
    spans = []
    for middle, wanted, most in zip((y, x), size[::-1], shape, strict=True):
        first = math.floor(middle - wanted / 2 + 1)
        spans.append((max(0, first), min(most, first + wanted)))
    if any(last <= first for first, last in spans):
        raise ValueError(_outside(x, y, shape))
    rows, columns = spans
    return GridPart(rows, columns)


def _outside(x: float, y: float, shape: tuple[int, int]) -> str:
    ny, nx = shape
    return f"x {x + 1:.0f}, y {y + 1:.0f}: the grid has columns 1 to {nx} and rows 1 to {ny}"
