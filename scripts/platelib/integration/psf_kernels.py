"""Convolution kernels that match the PSF of one sub to that of another.

Seeing, focus and guiding change from sub to sub, and with them the image of every star. A kernel
predicts the pixels of a sub from those of a partner (:mod:`platelib.integration.psf_partners`).
Each kernel is a sum of a point, Gaussians and Gaussians times polynomials, fitted to the pixels of
the same stars in both subs (Alard & Lupton 1998, ApJ 503, 325). A sharper partner is softened, a
softer one is sharpened; the noise of the prediction follows from the kernel.
"""

from dataclasses import dataclass

import numpy as np

from platelib.integration.psf_partners import (
    choose_partners,
    disc,
    fit_radius,
    kernel_radius,
    missing_sigma,
    stamp_radius,
)
from platelib.numerics.constants import FWHM_PER_SIGMA
from platelib.numerics.kernels import allocating_kernel, kernel

FEWEST_STARS = 4
"""Stars that a fit needs in both subs."""
_NARROW_SIGMA_PX = 0.7
_ROUNDS = 2
_SHAPE_ERROR = 0.02
"""Relative error of star images that the fit allows for, so that the brightest do not rule it."""
_BRIGHT = 25.0
"""The misfit is measured where star light is so many times the noise."""
_LARGEST_UNMEASURED = 0.05
"""Relative misfit where no star is bright enough to tell."""
_MISFIT_BY_WIDTH = 0.15
"""Relative misfit of a kernel that was not fitted but follows from the widths of the stars."""
_WHOLE_PX = 2
"""Pixels around one that must have data for it to serve the fit; holes farther off are filled."""
_RIDGE = 1e-7
_FEWEST_FIT_PIXELS = 40
_CORE_SHARE = 0.8
_QUANTILE = 0.85
_FEWEST_AROUND = 8


@dataclass(frozen=True)
class PsfKernels:
    """The partners of each sub and the kernels that lead from them to the sub.

    Attributes
    ----------
    partners : numpy.ndarray
        ``(n, p)`` int64: partners of each sub, -1 for none.
    taps : numpy.ndarray
        ``(n, p, 2 r + 1, 2 r + 1)`` float32. The light of sub ``i`` at ``(y, x)`` is predicted as
        the sum over ``v, u`` of ``taps[i, k, r + v, r + u]`` times the light of its partner at
        ``(y + v, x + u)``.
    misfit : numpy.ndarray
        ``(n, p)`` float64: 85 % quantile of what predictions miss the pixels of star cores by,
        noise apart, as a share of the largest of the 3 x 3 pixels there in the partner.
    fwhm_px : numpy.ndarray
        ``(n,)`` float64: width of the stars of each sub.
    """

    partners: np.ndarray
    taps: np.ndarray
    misfit: np.ndarray
    fwhm_px: np.ndarray

    @property
    def reach(self) -> int:
        """Pixels around a sample that its prediction depends on."""
        return self.taps.shape[-1] // 2


def no_kernels(n: int) -> PsfKernels:
    """Return kernels for ``n`` subs none of which has a partner."""
    return PsfKernels(
        np.empty((n, 0), dtype=np.int64),
        np.empty((n, 0, 1, 1), dtype=np.float32),
        np.empty((n, 0)),
        np.full(n, np.nan),
    )


def fit_kernels(fwhm_px: np.ndarray, light: np.ndarray, variance: np.ndarray) -> PsfKernels:
    """Fit the kernels between the subs of a channel.

    Parameters
    ----------
    fwhm_px : numpy.ndarray
        ``(n,)`` float64: width of the stars of each sub on the grid.
    light, variance : numpy.ndarray
        ``(n, s, side, side)`` float32: stamps of the same stars in all subs, less the sky, and
        their variances; the side is twice `stamp_radius` and one. NaN = no data, also for a star
        that is saturated in that sub.

    Returns
    -------
    PsfKernels
        Where stars are too few for a fit, a kernel is a Gaussian for a partner that is sharper,
        and else a point.
    """
    fwhm_px = np.asarray(fwhm_px, dtype=np.float64)
    partners = choose_partners(fwhm_px)
    radius = kernel_radius(fwhm_px)
    basis = kernel_basis(radius, max(1.2, missing_sigma(fwhm_px, partners)))
    places = disc(fit_radius(fwhm_px))
    n, stars = light.shape[:2]
    terms = np.empty((n, len(basis), stars * len(places)), dtype=np.float32)
    data = np.empty((n, 3, stars * len(places)), dtype=np.float32)
    for sub in range(n):
        fill_terms(light[sub], variance[sub], basis, places, terms[sub], data[sub])
    squares = (basis[:, None] * basis).sum(axis=(2, 3))
    taps = np.empty((*partners.shape, *basis.shape[1:]), dtype=np.float32)
    misfit = np.empty(partners.shape)
    for sub in range(n):
        for k, partner in enumerate(partners[sub].tolist()):
            fitted = np.empty(len(basis))
            misfit[sub, k] = _fit(terms[partner], data[partner], data[sub], stars, squares, fitted)
            if misfit[sub, k] >= 0 and np.isfinite(fitted).all():
                taps[sub, k] = (fitted[:, None, None] * basis).sum(axis=0)
            else:
                misfit[sub, k] = _MISFIT_BY_WIDTH
                taps[sub, k] = kernel_by_width(radius, fwhm_px[partner], fwhm_px[sub])
    return PsfKernels(partners, taps, misfit, fwhm_px)


def _gaussian(radius: int, sigma: float) -> tuple[np.ndarray, np.ndarray]:
    step = np.arange(-radius, radius + 1, dtype=np.float64)
    line = np.exp(-0.5 * (step / sigma) ** 2)
    plane = line * line[:, None]
    return plane / plane.sum(), step / sigma


def kernel_basis(radius: int, wide: float) -> np.ndarray:
    """Return the basis functions of kernels, ``(k, side, side)`` float64."""
    point = np.zeros((2 * radius + 1, 2 * radius + 1))
    point[radius, radius] = 1.0
    narrow, u = _gaussian(radius, _NARROW_SIGMA_PX)
    v = u[:, None]
    middle = _gaussian(radius, np.sqrt(_NARROW_SIGMA_PX * wide))[0]
    broad, p = _gaussian(radius, wide)
    q = p[:, None]
    wings = _gaussian(radius, 2 * wide)[0]
    return np.stack(
        [point, narrow, middle, broad, wings, narrow * u, narrow * v, narrow * (u * u - v * v),
         narrow * u * v, broad * (p * p - q * q), broad * p * q]
    )  # fmt: skip


def kernel_by_width(radius: int, partner_fwhm: float, fwhm: float) -> np.ndarray:
    """Return a Gaussian that leads from a width to a larger one, else a point, float32."""
    square = (fwhm**2 - partner_fwhm**2) / FWHM_PER_SIGMA**2
    if square > 0.01:
        return _gaussian(radius, np.sqrt(square))[0].astype(np.float32)
    point = np.zeros((2 * radius + 1, 2 * radius + 1), dtype=np.float32)
    point[radius, radius] = 1.0
    return point


@allocating_kernel
def fill_terms(light, variance, basis, places, terms, data):
    """Convolve the stamps of a sub with each shape; note light, variance and summit of pixels.

    Pixels near a hole, as bad pixels leave it, are NaN.

    Parameters
    ----------
    light, variance : numpy.ndarray
        ``(s, side, side)`` float32.
    basis : numpy.ndarray
        ``(k, 2 r + 1, 2 r + 1)`` float64: the shapes, at least two.
    places : numpy.ndarray
        ``(m, 2)`` int64: rows and columns of pixels from the middle of a stamp.
    terms, data : numpy.ndarray
        ``(k, s m)`` and ``(3, s m)`` float32, filled.
    """
    radius = basis.shape[1] // 2
    middle = light.shape[1] // 2
    count = len(places)
    sums = np.empty(len(basis))
    stamp = np.empty(light.shape[1:])
    for star in range(len(light)):
        fill_holes(light[star], stamp)
        for k in range(count):
            y, x, m = middle + places[k, 0], middle + places[k, 1], star * count + k
            sums[:] = 0.0
            for v in range(-radius, radius + 1):
                for u in range(-radius, radius + 1):
                    value = stamp[y + v, x + u]
                    for b in range(len(basis)):
                        sums[b] += basis[b, radius + v, radius + u] * value
            summit = stamp[y, x]
            for v in range(-1, 2):
                for u in range(-1, 2):
                    summit = max(summit, stamp[y + v, x + u])
            for b in range(len(basis)):
                terms[b, m] = sums[b]
            whole = sums[1] == sums[1] and variance[star, y, x] > 0
            for v in range(y - _WHOLE_PX, y + _WHOLE_PX + 1):
                for u in range(x - _WHOLE_PX, x + _WHOLE_PX + 1):
                    whole &= light[star, v, u] == light[star, v, u]
            data[0, m] = stamp[y, x] if whole else np.nan
            data[1, m] = variance[star, y, x]
            data[2, m] = summit


@allocating_kernel
def fill_holes(light, filled):
    """Copy a stamp; fill pixels without data with the mean of the surrounding 5 x 5, if any."""
    ny, nx = light.shape
    for y in range(ny):
        for x in range(nx):
            filled[y, x] = light[y, x]
            if light[y, x] == light[y, x]:
                continue
            total, known = 0.0, 0
            for v in range(max(0, y - 2), min(ny, y + 3)):
                for u in range(max(0, x - 2), min(nx, x + 3)):
                    if light[v, u] == light[v, u]:
                        total += light[v, u]
                        known += 1
            if known >= _FEWEST_AROUND:
                filled[y, x] = total / known


@allocating_kernel
def _fit(terms, partner, sub, stars, squares, fitted):
    """Fit one kernel; return its misfit, or -1 for too few pixels."""
    shapes, size = terms.shape
    weight, rest = np.zeros(size), np.zeros(size)
    used = 0
    for m in range(size):
        if sub[0, m] == sub[0, m] and partner[0, m] == partner[0, m]:
            shape_error = _SHAPE_ERROR * max(partner[2, m], 0.0)
            weight[m] = 1.0 / (sub[1, m] + partner[1, m] + shape_error * shape_error)
            used += 1
    if used < _FEWEST_FIT_PIXELS:
        return -1.0
    for round_ in range(_ROUNDS):
        matrix, right = np.zeros((shapes, shapes)), np.zeros(shapes)
        for m in range(size):
            if weight[m] == 0.0:
                continue
            factor = weight[m]
            if round_:
                factor /= 1.0 + weight[m] * rest[m] * rest[m] / 9.0
            for i in range(shapes):
                scaled = factor * terms[i, m]
                right[i] += scaled * sub[0, m]
                for j in range(i + 1):
                    matrix[i, j] += scaled * terms[j, m]
        solve_symmetric(matrix, right, fitted)
        for m in range(size):
            total = 0.0
            for i in range(shapes):
                total += fitted[i] * terms[i, m]
            rest[m] = sub[0, m] - total if weight[m] > 0.0 else 0.0
    noise_factor = 0.0
    for i in range(shapes):
        for j in range(shapes):
            noise_factor += fitted[i] * fitted[j] * squares[i, j]
    return _misfit(rest, weight, partner, sub, stars, noise_factor)


@allocating_kernel
def _misfit(rest, weight, partner, sub, stars, noise_factor):
    shares = np.empty(rest.size)
    size = rest.size // stars
    count = 0
    for star in range(stars):
        first = star * size
        top = 0.0
        for m in range(first, first + size):
            if weight[m] > 0.0:
                top = max(top, partner[2, m])
        for m in range(first, first + size):
            noise = sub[1, m] + noise_factor * partner[1, m]
            summit = partner[2, m]
            if weight[m] > 0.0 and summit > max(_CORE_SHARE * top, _BRIGHT * np.sqrt(noise)):
                shares[count] = (rest[m] * rest[m] - 2.0 * noise) / (summit * summit)
                count += 1
    if count < _FEWEST_FIT_PIXELS:
        return _LARGEST_UNMEASURED
    # Not the largest, since cosmic rays hit some of the stars.
    ordered = np.sort(shares[:count])
    return np.sqrt(max(ordered[int(_QUANTILE * count)], 0.0))


@kernel
def solve_symmetric(matrix, right, x):
    """Solve symmetric equations by Cholesky's method.

    Parameters
    ----------
    matrix : numpy.ndarray
        ``(k, k)`` float64, of which the lower triangle is given; overwritten.
    right : numpy.ndarray
        ``(k,)`` float64.
    x : numpy.ndarray
        ``(k,)`` float64, filled with the solution.
    """
    size = right.size
    for i in range(size):
        matrix[i, i] *= 1.0 + _RIDGE
    for i in range(size):
        for j in range(i + 1):
            total = matrix[i, j]
            for k in range(j):
                total -= matrix[i, k] * matrix[j, k]
            if i == j:
                matrix[i, i] = np.sqrt(max(total, 1e-300))
            else:
                matrix[i, j] = total / matrix[j, j]
    for i in range(size):
        total = right[i]
        for k in range(i):
            total -= matrix[i, k] * x[k]
        x[i] = total / matrix[i, i]
    for i in range(size - 1, -1, -1):
        total = x[i]
        for k in range(i + 1, size):
            total -= matrix[k, i] * x[k]
        x[i] = total / matrix[i, i]


def warm_up() -> None:
    """Compile the kernels of this module."""
    widths = np.array([2.0, 2.5, 3.0])
    side = 2 * stamp_radius(widths) + 1
    light = np.ones((3, 1, side, side), dtype=np.float32)
    fit_kernels(widths, light, light)
