"""A quadratic sky, and a thin-plate smoothing spline through its residuals in the cells.

The spline is the minimum of
``sum ((level - f) / error)^2 + stiffness * integral (f_xx^2 + 2 f_xy^2 + f_yy^2)`` (Wahba 1990,
Spline Models for Observational Data, section 2.4), with the derivatives as differences between the
nodes of a mesh. The levels determine the stiffness: each is predicted from the others (generalised
cross-validation). The quadratic is there because a plate alone would rather be flat where there are
no cells.
"""

from dataclasses import dataclass

import numpy as np

from platelib.background.chebyshev_surface import (
    CellLevels,
    fit_chebyshev,
    least_squares_of_normal,
    scatter,
)
from platelib.background.surface import Lattice, SkySurface, rounded_below

_STIFFNESSES = (1e6, 1e5, 1e4, 3e3, 1e3, 300.0, 100.0, 30.0, 10.0, 3.0, 1.0, 0.3, 0.1)
_COARSER, _HIGHEST_DEGREE = 2, 2
_CAUTION = 1.4


@dataclass(frozen=True)
class _Mesh:
    """Lattice nodes as a vector of unknowns, with their design matrix and bending energy."""

    lattice: Lattice
    taps: np.ndarray
    shares: np.ndarray
    bending: np.ndarray

    def normal(self, weight: np.ndarray, stiffness: float) -> np.ndarray:
        """Matrix of the normal equations."""
        matrix = stiffness * self.bending
        for taps, shares, w in zip(self.taps, self.shares, weight.tolist(), strict=True):
            if w > 0:
                matrix[np.ix_(taps, taps)] += w * shares[:, None] * shares
        return matrix

    def right(self, weight: np.ndarray, level: np.ndarray) -> np.ndarray:
        """Right side of the normal equations."""
        total = np.zeros(len(self.bending))
        products = zip(self.taps, self.shares, (weight * level).tolist(), strict=True)
        for taps, shares, value in products:
            total[taps] += value * shares
        return total

    def freedom(self, weight: np.ndarray, inverse: np.ndarray) -> float:
        """Return the effective degrees of freedom of a fit: the trace of its smoother matrix."""
        total = 0.0
        for taps, shares, w in zip(self.taps, self.shares, weight.tolist(), strict=True):
            if w > 0:
                total += w * float((inverse[np.ix_(taps, taps)] * shares[:, None] * shares).sum())
        return total

    def at_cells(self, nodes: np.ndarray) -> np.ndarray:
        """Value of the surface in each cell."""
        total = np.zeros(len(self.taps))
        for k in range(self.taps.shape[1]):
            total += self.shares[:, k] * nodes[self.taps[:, k]]
        return total


def fit_thin_plate(
    cells: CellLevels, lattice: Lattice, weights: np.ndarray, degree: int = 2
) -> SkySurface:
    """Fit a polynomial and a thin-plate smoothing spline on top to the levels of cells.

    Parameters
    ----------
    cells : CellLevels
        At least three, not in a line.
    lattice : Lattice
        Of the cells.
    weights : numpy.ndarray
        ``(n,)`` factors on ``1 / error**2``; 0 leaves a cell out.
    degree : int
        Of the polynomial, 2 at most.

    Returns
    -------
    SkySurface
        On nodes twice as far apart as the cells: a sky has no finer shape. The stiffness has the
        least cross-validation score, with degrees of freedom counted 1.4 times so that noise is
        not followed (Kim & Gu 2004, Journal of the Royal Statistical Society B 66, 337). Errors
        are those of Wahba (1983), Journal of the Royal Statistical Society B 45, 133.
    """
    lattice = Lattice(lattice.shape, _COARSER * lattice.pitch_px)
    mesh = _mesh_of(cells, lattice)
    unit = float(np.median(cells.error))
    weight = weights * (unit / cells.error) ** 2
    base = fit_chebyshev(cells, lattice, min(degree, _HIGHEST_DEGREE), weights)
    scaled = (cells.level - base.at(cells.x, cells.y)) / unit
    right = mesh.right(weight, scaled)
    fits = [_fit(mesh, weight, scaled, right, stiffness) for stiffness in _STIFFNESSES]
    best = min(fits, key=lambda fit: fit.score)
    residuals = scaled - mesh.at_cells(best.nodes)
    excess = scatter(residuals * unit, cells.error, weights)
    bent = (unit * excess) ** 2 * np.maximum(np.diag(best.inverse), 0.0)
    errors = np.sqrt(base.errors.ravel() ** 2 + bent)
    values = rounded_below(base.values.ravel() + unit * best.nodes, errors)
    return SkySurface(lattice, values.reshape(lattice.nodes), errors.reshape(lattice.nodes))


@dataclass(frozen=True)
class _Fit:
    """A plate of some stiffness: its nodes, the inverse of its matrix, how well it guesses."""

    nodes: np.ndarray
    inverse: np.ndarray
    score: float


def _fit(
    mesh: _Mesh, weight: np.ndarray, scaled: np.ndarray, right: np.ndarray, stiffness: float
) -> _Fit:
    matrix = mesh.normal(weight, stiffness)
    both = np.concatenate([right[:, None], np.eye(len(matrix))], axis=1)
    solved = least_squares_of_normal(matrix, both)
    nodes, inverse = solved[:, 0], solved[:, 1:]
    residuals = scaled - mesh.at_cells(nodes)
    count = np.count_nonzero(weight)
    left = count - _CAUTION * mesh.freedom(weight, inverse)
    misfit = float((weight * residuals**2).sum())
    return _Fit(nodes, inverse, misfit / left**2 if left > 0 else float("inf"))


def _mesh_of(cells: CellLevels, lattice: Lattice) -> _Mesh:
    down, along_y = lattice.taps(cells.y)
    across, along_x = lattice.taps(cells.x)
    width = lattice.nodes[1]
    taps = np.stack([(down + j) * width + across + i for j in range(4) for i in range(4)], axis=1)
    shares = np.stack([along_y[j] * along_x[i] for j in range(4) for i in range(4)], axis=1)
    return _Mesh(lattice, taps, shares, _bending(lattice.nodes))


def _bending(nodes: tuple[int, int]) -> np.ndarray:
    """Bending energy as a matrix: second differences along, across and between the axes."""
    numbers = np.arange(nodes[0] * nodes[1]).reshape(nodes)
    energy = np.zeros((numbers.size, numbers.size))
    straight = np.array([1.0, -2.0, 1.0])
    twist = np.array([1.0, -1.0, -1.0, 1.0])
    along = np.stack([numbers[:, :-2], numbers[:, 1:-1], numbers[:, 2:]], axis=-1)
    up = np.stack([numbers[:-2], numbers[1:-1], numbers[2:]], axis=-1)
    corners = [numbers[:-1, :-1], numbers[:-1, 1:], numbers[1:, :-1], numbers[1:, 1:]]
    between = np.stack(corners, axis=-1)
    for groups, pattern, factor in ((along, straight, 1), (up, straight, 1), (between, twist, 2)):
        for group in groups.reshape(-1, len(pattern)):
            energy[np.ix_(group, group)] += factor * pattern[:, None] * pattern
    return energy
