"""A smooth surface of the sky, known at the nodes of a coarse mesh.

A cubic convolution (Keys 1981, IEEE Transactions on Acoustics, Speech, and Signal Processing 29,
1153, a = -1/2) leads from the nodes to the pixels. It gives polynomials up to degree two exactly,
so a mesh of some hundred values holds what an image of millions would.
"""

from dataclasses import dataclass

import numpy as np

RING = 2
"""Rows and columns of nodes beyond the cells on each side, which the convolution needs."""


@dataclass(frozen=True)
class Lattice:
    """The nodes of a surface: in the middle of square cells, and around them.

    Attributes
    ----------
    shape : tuple of int
        ``(ny, nx)`` of the image.
    pitch_px : int
        Side of a cell.
    """

    shape: tuple[int, int]
    pitch_px: int

    @property
    def cells(self) -> tuple[int, int]:
        """Number of cells down and across; the last ones may extend beyond the image."""
        return -(-self.shape[0] // self.pitch_px), -(-self.shape[1] // self.pitch_px)

    @property
    def nodes(self) -> tuple[int, int]:
        """Nodes down and across."""
        return self.cells[0] + 2 * RING, self.cells[1] + 2 * RING

    def places(self) -> tuple[np.ndarray, np.ndarray]:
        """Return y ``(my,)`` and x ``(mx,)`` of the nodes, pixels."""
        down, across = self.nodes
        return self._line(down), self._line(across)

    def _line(self, count: int) -> np.ndarray:
        return (np.arange(count) - RING + 0.5) * self.pitch_px - 0.5

    def taps(self, pixels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the first node ``(n,)`` and the weights ``(4, n)`` of positions along one axis."""
        place = (np.asarray(pixels, dtype=np.float64) + 0.5) / self.pitch_px - 0.5 + RING
        first = np.floor(place).astype(np.intp)
        t = place - first
        weights = np.stack(
            [
                ((2 - t) * t - 1) * t / 2,
                ((3 * t - 5) * t * t + 2) / 2,
                ((4 - 3 * t) * t + 1) * t / 2,
                (t - 1) * t * t / 2,
            ]
        )
        return first - 1, weights


@dataclass(frozen=True)
class SkySurface:
    """A surface and its uncertainty.

    Attributes
    ----------
    lattice : Lattice
    values, errors : numpy.ndarray
        ``lattice.nodes`` float64, in the unit of the image. Errors of nodes near to each other are
        not independent.
    """

    lattice: Lattice
    values: np.ndarray
    errors: np.ndarray

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Return the surface on rows of the image.

        Returns
        -------
        numpy.ndarray
            ``(stop - start, nx)`` float64.
        """
        return self.grid(np.arange(start, stop), np.arange(self.lattice.shape[1]))

    def grid(self, y: np.ndarray, x: np.ndarray) -> np.ndarray:
        """Return the surface where rows ``(m,)`` and columns ``(n,)`` cross, ``(m, n)`` float64."""
        down, weights = self.lattice.taps(y)
        lines = sum(weights[k][:, None] * self.values[down + k] for k in range(4))
        across, weights = self.lattice.taps(x)
        return np.asarray(sum(weights[k] * lines[:, across + k] for k in range(4)))

    def at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return the surface at positions ``(n,)`` inside the image."""
        down, along_y = self.lattice.taps(y)
        across, along_x = self.lattice.taps(x)
        total = np.zeros(len(np.asarray(x)))
        for j in range(4):
            for i in range(4):
                total += along_y[j] * along_x[i] * self.values[down + j, across + i]
        return total

    @property
    def level(self) -> float:
        """Mean over the nodes whose cells are inside the image."""
        inside = self.values[RING:-RING, RING:-RING]
        return sum(inside.ravel().tolist()) / inside.size

    @property
    def range(self) -> float:
        """Highest less lowest value of these nodes."""
        return float(np.ptp(self.values[RING:-RING, RING:-RING]))


def constant_surface(lattice: Lattice, value: float, error: float = 0.0) -> SkySurface:
    """Return a surface of one value."""
    return SkySurface(lattice, np.full(lattice.nodes, value), np.full(lattice.nodes, error))


def rounded_below(values: np.ndarray, errors: np.ndarray) -> np.ndarray:
    """Round to a thousandth of the smallest error, so that last bits do not travel on.

    Parameters
    ----------
    values, errors : numpy.ndarray
        Finite; the step is a power of ten.
    """
    least = float(np.min(errors))
    if not least > 0:
        return np.asarray(values, dtype=np.float64)
    step = float(f"1e{int(f'{least:e}'.partition('e')[2]) - 3}")
    return np.round(values / step) * step
