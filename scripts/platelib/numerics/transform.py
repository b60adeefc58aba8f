"""Transforms from the grid to the raw frame: two-dimensional polynomials and their fit.

A transform leads from a pixel of the grid to the place in the raw frame that it is sampled from.
"""

import math
from dataclasses import dataclass

import numpy as np

_INVERSIONS = 12


@dataclass(frozen=True)
class Transform:
    """A polynomial from grid pixels to raw pixels.

    With ``u = (x - centre_x) / scale`` and ``v = (y - centre_y) / scale`` the place in the raw
    frame is ``sum a_ij u^i v^j`` over ``i + j <= degree``, in the order of :func:`exponents`.

    Attributes
    ----------
    degree : int
    centre_x, centre_y, scale : float
        Normalisation, grid pixels.
    x, y : numpy.ndarray
        ``((degree + 1)(degree + 2) / 2,)`` float64 coefficients, raw pixels.
    """

    degree: int
    centre_x: float
    centre_y: float
    scale: float
    x: np.ndarray
    y: np.ndarray

    @property
    def exchanges_axes(self) -> bool:
        """Whether rows of the grid run along columns of the frame."""
        return bool(abs(self.x[2]) > abs(self.x[1]))

    @property
    def magnification(self) -> float:
        """Raw pixels to a pixel of the grid, in the middle of it."""
        area = self.x[1] * self.y[2] - self.x[2] * self.y[1]
        return float(np.sqrt(abs(area)) / self.scale)

    def __call__(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return raw x and y of grid positions."""
        u = (np.asarray(x, dtype=np.float64) - self.centre_x) / self.scale
        v = (np.asarray(y, dtype=np.float64) - self.centre_y) / self.scale
        raw_x, raw_y = polynomial(basis(u, v, self.degree), np.stack([self.x, self.y]))
        return raw_x, raw_y

    def inverse(self, raw_x: np.ndarray, raw_y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return grid x and y of raw positions, by iteration with the linear part."""
        a, b, c, d = (float(k[i]) / self.scale for k in (self.x, self.y) for i in (1, 2))
        det = a * d - b * c
        x, y = (np.full(np.shape(raw_x), centre) for centre in (self.centre_x, self.centre_y))
        for _ in range(_INVERSIONS):
            at_x, at_y = self(x, y)
            off_x, off_y = raw_x - at_x, raw_y - at_y
            x, y = x + (d * off_x - b * off_y) / det, y + (a * off_y - c * off_x) / det
        return x, y


def exponents(degree: int) -> list[tuple[int, int]]:
    """Return the powers ``(i, j)`` of ``u^i v^j`` in the order of the coefficients."""
    return [(i, total - i) for total in range(degree + 1) for i in range(total, -1, -1)]


def identity(shape: tuple[int, int]) -> Transform:
    """Return the transform of the reference itself, for a grid of ``(ny, nx)``."""
    cx, cy, scale = normalisation(shape)
    return Transform(1, cx, cy, scale, np.array([cx, scale, 0.0]), np.array([cy, 0.0, scale]))


def normalisation(shape: tuple[int, int]) -> tuple[float, float, float]:
    """Return centre x, centre y and half size of a grid, for well-conditioned polynomials."""
    return (shape[1] - 1) / 2, (shape[0] - 1) / 2, max(shape) / 2


def basis(u: np.ndarray, v: np.ndarray, degree: int) -> np.ndarray:
    """Return the powers ``u^i v^j`` of ``(n,)`` positions, ``(k, n)`` in the order of `exponents`.

    They are products, not powers of the processor's library, whose last bits are its own.
    """
    powers = [(np.ones_like(u), np.ones_like(v))]
    for _ in range(degree):
        powers.append((powers[-1][0] * u, powers[-1][1] * v))
    return np.stack([powers[i][0] * powers[j][1] for i, j in exponents(degree)])


def polynomial(terms: np.ndarray, coefficients: np.ndarray) -> np.ndarray:
    """Return ``coefficients @ terms``, every sum in order, which a BLAS routine would not keep.

    Parameters
    ----------
    terms : numpy.ndarray
        ``(k, n)`` float64.
    coefficients : numpy.ndarray
        ``(m, k)`` float64.

    Returns
    -------
    numpy.ndarray
        ``(m, n)`` float64.
    """
    total = np.zeros((len(coefficients), *terms.shape[1:]))
    for row, factors in enumerate(coefficients.tolist()):
        for factor, term in zip(factors, terms, strict=True):
            total[row] += factor * term
    return total


def least_squares(terms: np.ndarray, target: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Solve weighted normal equations, every sum in a fixed order.

    A BLAS or LAPACK routine orders its sums by processor; numpy's pairwise sums and Python's
    arithmetic do not, so the coefficients are the same everywhere.

    Parameters
    ----------
    terms : numpy.ndarray
        ``(k, n)`` float64.
    target : numpy.ndarray
        ``(m, n)`` float64.
    weights : numpy.ndarray
        ``(n,)`` float64.

    Returns
    -------
    numpy.ndarray
        ``(m, k)`` float64.
    """
    weighted = terms * weights
    matrix = [(terms[: i + 1] * row).sum(axis=1).tolist() for i, row in enumerate(weighted)]
    right = [(weighted * row).sum(axis=1).tolist() for row in target]
    _factorise(matrix)
    return np.array([_solve(matrix, column) for column in right])


def _factorise(matrix: list[list[float]]) -> None:
    """Replace the lower triangle of a symmetric matrix by its Cholesky factor."""
    for i, row in enumerate(matrix):
        for j in range(i):
            value = row[j] - _product(row, matrix[j], j)
            row[j] = value / matrix[j][j]
        row[i] = math.sqrt(max(row[i] - _product(row, row, i), 1e-30))


def _solve(factor: list[list[float]], right: list[float]) -> list[float]:
    """Solve ``L L^T x = right``."""
    x = list(right)
    for i, row in enumerate(factor):
        x[i] = (x[i] - _product(row, x, i)) / row[i]
    for i in reversed(range(len(x))):
        x[i] /= factor[i][i]
        for j in range(i):
            x[j] -= factor[i][j] * x[i]
    return x


def _product(one: list[float], other: list[float], count: int) -> float:
    total = 0.0
    for k in range(count):
        total += one[k] * other[k]
    return total
