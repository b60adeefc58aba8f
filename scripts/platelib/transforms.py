"""From the grid to the raw frame: polynomials in two coordinates and how they are fitted.

A transform leads from a pixel of the grid to the place in the raw frame that it is sampled from.
"""

from dataclasses import dataclass

import numpy as np

from platelib.kernels import kernel


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

    def __call__(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return raw x and y of grid positions."""
        u = (np.asarray(x, dtype=np.float64) - self.centre_x) / self.scale
        v = (np.asarray(y, dtype=np.float64) - self.centre_y) / self.scale
        terms = [u**i * v**j for i, j in exponents(self.degree)]
        return (
            sum(a * b for a, b in zip(self.x, terms, strict=True)),
            sum(a * b for a, b in zip(self.y, terms, strict=True)),
        )


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
    """Return the powers ``u^i v^j`` of ``(n,)`` places, ``(n, k)`` in the order of `exponents`."""
    return np.stack([u**i * v**j for i, j in exponents(degree)], axis=-1)


def polynomial(terms: np.ndarray, coefficients: np.ndarray) -> np.ndarray:
    """Return ``terms @ coefficients``, every sum in order, which a BLAS routine would not keep.

    Parameters
    ----------
    terms : numpy.ndarray
        ``(n, k)`` float64.
    coefficients : numpy.ndarray
        ``(k, m)`` float64.

    Returns
    -------
    numpy.ndarray
        ``(n, m)`` float64.
    """
    total = np.zeros((len(terms), coefficients.shape[1]))
    for term, factors in zip(terms.T, coefficients, strict=True):
        total += term[:, None] * factors
    return total


def least_squares(terms: np.ndarray, target: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Solve weighted normal equations, every sum in the order of the rows.

    A BLAS or LAPACK routine orders its sums by processor; this one does not, so the coefficients
    are the same everywhere.

    Parameters
    ----------
    terms : numpy.ndarray
        ``(n, k)`` float64.
    target : numpy.ndarray
        ``(n, m)`` float64.
    weights : numpy.ndarray
        ``(n,)`` float64.

    Returns
    -------
    numpy.ndarray
        ``(k, m)`` float64.
    """
    return _normal_equations(
        np.ascontiguousarray(terms, dtype=np.float64),
        np.ascontiguousarray(target, dtype=np.float64),
        np.ascontiguousarray(weights, dtype=np.float64),
    )


@kernel
def _normal_equations(basis, target, weights):
    n, k = basis.shape
    m = target.shape[1]
    matrix = np.zeros((k, k))
    right = np.zeros((k, m))
    for row in range(n):
        for i in range(k):
            weighted = weights[row] * basis[row, i]
            for j in range(i + 1):
                matrix[i, j] += weighted * basis[row, j]
            for j in range(m):
                right[i, j] += weighted * target[row, j]
    for i in range(k):
        for j in range(i + 1):
            value = matrix[i, j]
            for p in range(j):
                value -= matrix[i, p] * matrix[j, p]
            if i == j:
                matrix[i, i] = np.sqrt(max(value, 1e-30))
            else:
                matrix[i, j] = value / matrix[j, j]
    for column in range(m):
        for i in range(k):
            value = right[i, column]
            for p in range(i):
                value -= matrix[i, p] * right[p, column]
            right[i, column] = value / matrix[i, i]
        for i in range(k - 1, -1, -1):
            value = right[i, column]
            for p in range(i + 1, k):
                value -= matrix[p, i] * right[p, column]
            right[i, column] = value / matrix[i, i]
    return right


def warm_up() -> None:
    """Compile the kernels of this module."""
    terms = basis(np.arange(4.0), np.arange(4.0) ** 2, 1)
    least_squares(terms, terms[:, :2], np.ones(4))
