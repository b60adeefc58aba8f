"""Bringing subs to one scale of brightness and one sky."""

from dataclasses import dataclass

import numpy as np

from platelib.detections import Mesh
from platelib.transforms import Transform, basis, least_squares, normalisation, polynomial

_LATTICE = 24


@dataclass(frozen=True)
class FluxScale:
    """Factor that brings a sub to the brightness of the photometric reference.

    Attributes
    ----------
    factor : float
    error : float
        Standard error of the factor.
    count : int
        Stars compared.
    """

    factor: float
    error: float
    count: int


def flux_scale(
    reference_flux: np.ndarray,
    reference_error: np.ndarray,
    flux: np.ndarray,
    error: np.ndarray,
) -> FluxScale:
    """Compare the fluxes of stars in common.

    Parameters
    ----------
    reference_flux, reference_error, flux, error : numpy.ndarray
        ``(n,)`` float64, positive; all in one unit per second.

    Returns
    -------
    FluxScale
        Weighted median of ``reference_flux / flux``, with 1 % added to the errors for what
        apertures and flat fields do to every star.

    Raises
    ------
    ValueError
        Without any star.
    """
    if not len(flux):
        msg = "no stars in common to compare brightness"
        raise ValueError(msg)
    ratio = reference_flux / flux
    relative = np.sqrt((reference_error / reference_flux) ** 2 + (error / flux) ** 2 + 0.01**2)
    order = np.argsort(ratio, kind="stable")
    weight = np.cumsum(1 / relative[order] ** 2)
    factor = float(ratio[order][np.searchsorted(weight, weight[-1] / 2)])
    # Variance of a weighted median of normal values, from the density at the centre.
    formal = 1.2533 * np.sqrt(np.sum(relative**-4)) / np.sum(relative**-3)
    pull = 1.482602218505602 * float(np.median(np.abs(ratio / factor - 1) / relative))
    error = factor * formal * (pull if len(ratio) > 2 else 1.0)
    return FluxScale(float(f"{factor:.6g}"), float(error), len(ratio))


class ReferenceSky:
    """The sky of the photometric reference, with which those of the subs are compared.

    Parameters
    ----------
    mesh : Mesh
        Sky of the reference, in raw pixels.
    transform : Transform
        From the grid to its raw pixels.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    degree : int
        Of the difference: 0 a constant, 1 a plane, 2 a quadratic.
    """

    def __init__(self, mesh: Mesh, transform: Transform, shape: tuple[int, int], degree: int):
        self._mesh, self._degree = mesh, degree
        y, x = np.mgrid[0 : shape[0] - 1 : _LATTICE * 1j, 0 : shape[1] - 1 : _LATTICE * 1j]
        self._x, self._y = x.ravel(), y.ravel()
        self._value, self._inside = _sample(mesh, *transform(self._x, self._y))
        cx, cy, scale = normalisation(shape)
        self._terms = basis((self._x - cx) / scale, (self._y - cy) / scale, degree)

    def difference(self, sub: Mesh, transform: Transform, factor: float) -> np.ndarray:
        """Fit the difference between the skies of a sub and the reference on the grid.

        What is fixed on the sky - the target, its halo - cancels in the difference; moonlight,
        cloud and the gradient of the hour remain.

        Parameters
        ----------
        sub : Mesh
            Sky of the sub, in the unit of the reference.
        transform : Transform
            From the grid to its raw pixels.
        factor : float
            Flux scale of the sub.

        Returns
        -------
        numpy.ndarray
            Coefficients, float64, in the order of :func:`platelib.transforms.exponents`, such that
            ``factor * sub - polynomial`` has the sky of the reference.
        """
        value, inside = _sample(sub, *transform(self._x, self._y))
        good = np.flatnonzero(inside & self._inside)
        if not len(good):
            return np.array(
                [factor * float(np.median(sub.level)) - float(np.median(self._mesh.level))]
            )
        count = len(self._terms) if len(good) >= 3 * len(self._terms) else 1
        terms = np.take(self._terms[:count], good, axis=1)
        difference = (factor * value - self._value)[good]
        weights = np.ones(len(good))
        coefficients = np.zeros((1, count))
        for _ in range(6):
            coefficients = least_squares(terms, difference[None], weights)
            residual = np.abs(difference - polynomial(terms, coefficients)[0])
            width = max(1.482602218505602 * float(np.median(residual)), 1e-12)
            new = np.where(residual < 3 * width, 1.0, 1e-6)
            if np.array_equal(new, weights):
                break
            weights = new
        return np.array([float(f"{c:.7g}") for c in coefficients[0]])


def _sample(mesh: Mesh, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Bilinear values of a mesh at raw positions, and which of them lie inside the frame."""
    ny, nx = mesh.shape
    my, mx = mesh.level.shape
    v = np.clip((y + 0.5) * my / ny - 0.5, 0, my - 1)
    u = np.clip((x + 0.5) * mx / nx - 0.5, 0, mx - 1)
    j, i = np.minimum(v.astype(int), max(my - 2, 0)), np.minimum(u.astype(int), max(mx - 2, 0))
    j1, i1 = np.minimum(j + 1, my - 1), np.minimum(i + 1, mx - 1)
    fy, fx = v - j, u - i
    level = mesh.level.astype(np.float64)
    value = (level[j, i] * (1 - fx) + level[j, i1] * fx) * (1 - fy)
    value += (level[j1, i] * (1 - fx) + level[j1, i1] * fx) * fy
    return value, (x >= 0) & (x <= nx - 1) & (y >= 0) & (y <= ny - 1)
