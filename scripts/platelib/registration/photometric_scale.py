"""Photometric scale and background matching of subs."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from platelib.background.mesh import Mesh
from platelib.numerics.constants import MAD_TO_SIGMA
from platelib.numerics.medians import median_of
from platelib.numerics.transform import Transform, basis, least_squares, normalisation, polynomial

_LATTICE = 24
_FLOOR = 0.007
_LEAST_SIGNAL, _FEWEST_BRIGHT = 15.0, 10
_FEWEST_FOR_LEVEL = 12
_TUKEY = 4.685
_LEAST_WIDE = 0.1
_SETTLED = 1e-7
_ROUNDS = 30


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
    doubt: np.ndarray | float = 0.0,
) -> FluxScale:
    """Compare the fluxes of stars in common.

    Parameters
    ----------
    reference_flux, reference_error, flux, error : numpy.ndarray
        ``(n,)`` float64, positive; all in one unit per second.
    doubt : numpy.ndarray or float, optional
        ``(n,)``: further error of each star, in the unit of the reference.

    Returns
    -------
    FluxScale
        Slope of ``reference_flux`` against ``flux``, robust (Tukey's biweight) and weighted by the
        errors, with 0.7 % added to these for what apertures and flat fields do to every star. Light
        that all stars have in excess in one of the two subs - neighbours too faint to be listed,
        an error of the sky - is an intercept, as far as the stars show that there is one.

    Raises
    ------
    ValueError
        Without any star.
    """
    if not len(flux):
        msg = "no stars in common to compare brightness"
        raise ValueError(msg)
    stars = _Compared(reference_flux, reference_error, flux, error, doubt)
    factor, relative, robust = stars.median(), 0.0, np.ones(len(flux))
    for _ in range(_ROUNDS):
        step, relative = stars.step(factor, robust)
        factor *= 1 + step
        if abs(step) < _SETTLED:
            break
    return FluxScale(float(f"{factor:.6g}"), float(factor * relative), len(flux))


@dataclass(frozen=True)
class _Compared:
    """Stars of two subs with the errors of their fluxes."""

    reference_flux: np.ndarray
    reference_error: np.ndarray
    flux: np.ndarray
    error: np.ndarray
    doubt: np.ndarray | float

    def median(self) -> float:
        """Return the weighted median of the ratios."""
        ratio = self.reference_flux / self.flux
        relative = (self.reference_error / self.reference_flux) ** 2 + (self.error / self.flux) ** 2
        order = np.argsort(ratio, kind="stable")
        weight = np.cumsum(1 / (relative[order] + _FLOOR**2))
        return float(ratio[order][np.searchsorted(weight, weight[-1] / 2)])

    def step(self, factor: float, robust: np.ndarray) -> tuple[float, float]:
        """Return by how much a factor is to change, and its relative error.

        The difference of a star's two fluxes is fitted against their weighted mean, whose error is
        independent of that of the difference. ``robust`` are the biweights of the stars to start
        with; it gets those of the fit.
        """
        ours, theirs = self.reference_error**2, (factor * self.error) ** 2
        mean = self.reference_flux * theirs + factor * self.flux * ours
        mean /= ours + theirs
        difference = self.reference_flux - factor * self.flux
        noise = np.sqrt(ours + theirs)
        sigma = np.sqrt(noise**2 + self.doubt**2 + (_FLOOR * mean) ** 2)
        bright = mean > _LEAST_SIGNAL * noise
        if bright.sum() < _FEWEST_BRIGHT:
            bright = mean > 0
        mean, difference, sigma = mean[bright], difference[bright], sigma[bright]
        *line, robust[bright] = _robust_line(mean, difference, sigma, robust[bright])
        return line[0], line[1]


def _robust_line(
    x: np.ndarray, y: np.ndarray, sigma: np.ndarray, robust: np.ndarray
) -> tuple[float, float, np.ndarray]:
    """Fit the slope of a line with an intercept shrunk by its uncertainty.

    Returns
    -------
    slope : float
    error : float
        From the scatter about the line, whatever ``sigma`` says of it: the asymptotic error of an
        M-estimator (Huber 1981, Robust Statistics, chapter 7).
    robust : numpy.ndarray
        Biweights of the points.
    """
    slope, error, wide = 0.0, 0.0, 1.0
    if not robust.sum() > 0:
        robust = np.ones(len(x))
    certainty, scaled_square = 1.0 / sigma**2, (x / sigma) ** 2
    total: Callable[..., Any] = np.add.reduce
    for _ in range(_ROUNDS):
        weight = robust * certainty
        pull = weight * x
        sw, sx, sxx = float(total(weight)), float(total(pull)), float(total(pull * x))
        sy, sxy = float(total(weight * y)), float(total(pull * y))
        slope, level, widened = sxy / sxx, 0.0, 1.0
        determinant = sw * sxx - sx * sx
        if len(x) >= _FEWEST_FOR_LEVEL and determinant > 1e-9 * sw * sxx:
            level = (sxx * sy - sx * sxy) / determinant
            certain = level**2 * determinant / (sxx * wide**2)
            shrink = max(0.0, 1 - 1 / certain) if certain > 0 else 0.0
            level *= shrink
            slope = (sxy - level * sx) / sxx
            widened = 1 + shrink**2 * (sw * sxx / determinant - 1)
        residual = y - slope * x - level
        relative = residual / sigma
        wide = max(MAD_TO_SIGMA * median_of(np.abs(relative)), _LEAST_WIDE)
        square = np.minimum((relative / (_TUKEY * wide)) ** 2, 1.0)
        inside = 1 - square
        change = inside**2
        # How much the sum of pulls changes with the slope: less than the weights say.
        bend = float(total(inside * (1 - 5 * square) * scaled_square))
        pulls = float(total((pull * residual) ** 2))
        error = (pulls * widened) ** 0.5 / min(max(bend, 0.5 * sxx), sxx)
        if not total(change) > 0 or np.abs(change - robust).max() < _SETTLED:
            break
        robust = change
    return slope, error, robust


class ReferenceSky:
    """The sky of the photometric reference, for comparison with those of the subs.

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
            Coefficients, float64, in the order of :func:`platelib.numerics.transform.exponents`,
            such that ``factor * sub - polynomial`` has the sky of the reference.
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
            width = max(MAD_TO_SIGMA * median_of(residual), 1e-12)
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
