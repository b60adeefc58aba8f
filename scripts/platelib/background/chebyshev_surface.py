"""A two-dimensional Chebyshev polynomial through the levels of sky cells."""

from dataclasses import dataclass

import numpy as np

from platelib.background.surface import Lattice, SkySurface, rounded_below
from platelib.numerics.medians import mad_sigma
from platelib.numerics.transform import exponents, least_squares, polynomial


@dataclass(frozen=True)
class CellLevels:
    """Levels of cells of sky.

    Attributes
    ----------
    x, y : numpy.ndarray
        ``(n,)`` float64: mean place of the pixels that were looked at.
    level, error : numpy.ndarray
        ``(n,)`` float64.
    row, column : numpy.ndarray
        ``(n,)`` int32: which cells they are.
    """

    x: np.ndarray
    y: np.ndarray
    level: np.ndarray
    error: np.ndarray
    row: np.ndarray
    column: np.ndarray

    def __len__(self) -> int:
        """Return the number of cells."""
        return len(self.x)

    def chosen(self, keep: np.ndarray) -> "CellLevels":
        """Return some of the cells."""
        names = ("x", "y", "level", "error", "row", "column")
        return CellLevels(*(getattr(self, name)[keep] for name in names))


def chebyshev_terms(
    x: np.ndarray, y: np.ndarray, shape: tuple[int, int], degree: int
) -> np.ndarray:
    """Return ``T_i(u) T_j(v)`` for ``i + j <= degree``, the edges of the image at -1 and 1.

    They come of the recurrence ``T_n = 2 u T_(n-1) - T_(n-2)`` (DLMF 18.9.1), so of products and
    sums alone.

    Parameters
    ----------
    x, y : numpy.ndarray
        ``(n,)``, pixels.
    shape : tuple of int
        ``(ny, nx)`` of the image.
    degree : int

    Returns
    -------
    numpy.ndarray
        ``(k, n)`` float64, in the order of `platelib.numerics.transform.exponents`.
    """
    along = _series((2 * np.asarray(x, dtype=np.float64) + 1) / shape[1] - 1, degree)
    up = _series((2 * np.asarray(y, dtype=np.float64) + 1) / shape[0] - 1, degree)
    return np.stack([along[i] * up[j] for i, j in exponents(degree)])


def _series(u: np.ndarray, degree: int) -> list[np.ndarray]:
    terms = [np.ones_like(u), u]
    for _ in range(2, degree + 1):
        terms.append(2 * u * terms[-1] - terms[-2])
    return terms


def fit_chebyshev(
    cells: CellLevels, lattice: Lattice, degree: int, weights: np.ndarray
) -> SkySurface:
    """Fit a Chebyshev surface to the levels of cells.

    Parameters
    ----------
    cells : CellLevels
        At least as many as there are terms.
    lattice : Lattice
    degree : int
    weights : numpy.ndarray
        ``(n,)`` factors on ``1 / error**2``; 0 leaves a cell out.

    Returns
    -------
    SkySurface
        Errors from the covariance of the fit, made larger where the cells scatter by more than
        their own errors.
    """
    shape = lattice.shape
    terms = chebyshev_terms(cells.x, cells.y, shape, degree)
    weight = weights / cells.error**2
    coefficients = least_squares(terms, cells.level[None], weight)
    covariance = _inverse_normal(terms, weight)
    excess = scatter(cells.level - polynomial(terms, coefficients)[0], cells.error, weights)
    y, x = (place.ravel() for place in np.meshgrid(*lattice.places(), indexing="ij"))
    at_nodes = chebyshev_terms(x, y, shape, degree)
    variance = (at_nodes * polynomial(at_nodes, covariance)).sum(axis=0) * excess**2
    errors = np.sqrt(np.maximum(variance, 0.0))
    values = rounded_below(polynomial(at_nodes, coefficients)[0], errors)
    return SkySurface(lattice, values.reshape(lattice.nodes), errors.reshape(lattice.nodes))


def _inverse_normal(terms: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Covariance of the coefficients, ``(k, k)``."""
    k = len(terms)
    lines = [(terms * row).sum(axis=1) for row in terms * weight]
    return least_squares_of_normal(np.array(lines), np.eye(k))


def least_squares_of_normal(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Solve ``matrix x = right`` for a symmetric positive matrix, elementwise and in order.

    Parameters
    ----------
    matrix : numpy.ndarray
        ``(n, n)`` float64.
    right : numpy.ndarray
        ``(n, m)`` float64.

    Returns
    -------
    numpy.ndarray
        ``(n, m)`` float64.

    Notes
    -----
    Gauss elimination by columns, which needs no pivots here. Every element is one product and one
    difference a step, in an order that no library of the processor decides.
    """
    a, x = np.array(matrix, dtype=np.float64), np.array(right, dtype=np.float64)
    for i in range(len(a)):
        factors = a[i + 1 :, i] / a[i, i]
        a[i + 1 :, i:] -= factors[:, None] * a[i, i:]
        x[i + 1 :] -= factors[:, None] * x[i]
    for i in reversed(range(len(a))):
        x[i] /= a[i, i]
        x[:i] -= a[:i, i][:, None] * x[i]
    return x


def scatter(residuals: np.ndarray, errors: np.ndarray, weights: np.ndarray) -> float:
    """Spread of residuals in units of their errors, at least 1; of cells that count."""
    pulls = (residuals / errors)[weights > 0.5]
    if not len(pulls):
        return 1.0
    return max(1.0, mad_sigma(pulls))
