"""The convolution kernel that leads from the star images of a reference to those of a sub.

It is a sum of a point, Gaussians and Gaussians times polynomials, whose factors are polynomials of
the place in the field (Alard & Lupton 1998, ApJ 503, 325; Alard 2000, A&AS 144, 363). The degrees
rise while that predicts stars better that are left out of the fit. The sum of the kernel is the
photometric scale between both.

Where the sub is the sharper one, the fit compares stars after both images have been filtered by the
star image of the sub, as the statistic of detections does: fine detail that the reference lacks
does not count then. Drawn stars of 3 px FWHM and a reference of 5 px leave a fifth of what a fit to
the pixels themselves leaves. Where the sub is softer, the pixels themselves tell the kernel better.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from platelib.differences.field_fit import residuals, solve_field, star_errors, sum_stars
from platelib.integration.psf_kernels import FEWEST_STARS, fill_terms, kernel_basis, kernel_by_width
from platelib.integration.psf_partners import disc, fit_radius, kernel_radius
from platelib.numerics.constants import FWHM_PER_SIGMA
from platelib.numerics.polynomial_degree import STARS_A_TERM, count_terms
from platelib.numerics.transform import basis as powers
from platelib.numerics.transform import normalisation, polynomial

_SHAPE_ERROR = 0.01
"""Relative error of star images that the fit allows for, so that the brightest do not rule it."""
_NARROWEST = 1.2
_ROUNDS = 3
_HUBER = 3.0
_GAIN = 0.97
"""A higher degree must lower the mean square of stars left out to this share."""
_DEGREES = ((0, 0), (0, 1), (1, 0), (1, 1), (1, 2))
"""Degrees of the scale and of the shape, in the order in which they are tried."""
_FOLDS = 3
_DIGITS = 7
_SPARSE_RADIUS = 7
"""Radius of the fit from which on every second pixel of every second row serves."""


@dataclass(frozen=True)
class VaryingKernel:
    """A kernel that depends on the place in the field.

    Attributes
    ----------
    basis : numpy.ndarray
        ``(k, 2 r + 1, 2 r + 1)`` float64: the first of sum 1, the others of sum 0.
    scale, shapes : numpy.ndarray
        ``(p,)`` and ``(k - 1, q)`` float64: factors of the first and of the others, polynomials of
        the place in the field as in `platelib.numerics.transform`.
    shape : tuple of int
        ``(ny, nx)`` of the field.
    stars : int
        Stars that it was fitted to; 0 if it follows from the widths.
    """

    basis: np.ndarray
    scale: np.ndarray
    shapes: np.ndarray
    shape: tuple[int, int]
    stars: int

    @property
    def radius(self) -> int:
        """Half the side of the kernel, less half a pixel."""
        return int(self.basis.shape[-1] // 2)

    @property
    def degrees(self) -> tuple[int, int]:
        """Degrees of the scale and of the shape."""
        return _degree_of(self.scale.size), _degree_of(self.shapes.shape[1])

    def taps(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return the kernels at places, ``(n, 2 r + 1, 2 r + 1)`` float32.

        The light of the sub at ``(y, x)`` is the sum over ``v, u`` of ``taps[r + v, r + u]`` times
        the light of the reference at ``(y + v, x + u)``.
        """
        u, v = _normalised(np.asarray(x, np.float64), np.asarray(y, np.float64), self.shape)
        shapes = polynomial(powers(u, v, self.degrees[1]), self.shapes)
        factors = np.concatenate([self.scale_at(x, y)[None], shapes])
        total = np.zeros((len(u), *self.basis.shape[1:]))
        for factor, shape in zip(factors, self.basis, strict=True):
            total += factor[:, None, None] * shape
        return total.astype(np.float32)

    def scale_at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return the sum of the kernel at places, ``(n,)`` float64."""
        u, v = _normalised(np.asarray(x, np.float64), np.asarray(y, np.float64), self.shape)
        return np.asarray(polynomial(powers(u, v, self.degrees[0]), self.scale[None])[0])


def fit_varying_kernel(
    widths: tuple[float, float],
    image: np.ndarray,
    light: np.ndarray,
    variance: np.ndarray,
    places: np.ndarray,
    shape: tuple[int, int],
) -> VaryingKernel:
    """Fit the kernel to stamps of the same stars in the reference and in the sub.

    Parameters
    ----------
    widths : tuple of float
        FWHM of the stars of the reference and of the sub, px.
    image : numpy.ndarray
        ``(side, side)`` float64: star image of the sub.
    light, variance : numpy.ndarray
        ``(2, s, side, side)`` float32: stamps in the reference and in the sub, less the sky, and
        their variances; the side is `stamp_side`. NaN = no data, also for a star that is saturated.
    places : numpy.ndarray
        ``(s, 2)`` float64: x and y of the stars in the field.
    shape : tuple of int
        ``(ny, nx)`` of the field.

    Returns
    -------
    VaryingKernel
        A Gaussian or a point where fewer than 4 stars have data.
    """
    fwhm_px = np.array(widths, dtype=np.float64)
    shapes = _unit_basis(kernel_radius(fwhm_px), fwhm_px)
    pixels = _pixels(fit_radius(fwhm_px))
    if widths[1] >= widths[0]:
        image = np.ones((1, 1))
    filtered = np.stack([_filtered(shape_, image) for shape_ in shapes])
    stamps = _stamps_of(
        _terms_of(light[0], variance[0], filtered, pixels),
        _terms_of(light[1], variance[1], image[None], pixels),
        float((image * image).sum()),
    )
    good = (stamps.weight > 0).mean(axis=1) > 0.7
    if good.sum() < FEWEST_STARS:
        return kernel_by_widths(widths, shape)
    stamps, places = stamps.chosen(good), places[good]
    u, v = _normalised(places[:, 0], places[:, 1], shape)
    fields = [np.ascontiguousarray(powers(u, v, degree).T) for degree in range(3)]
    of_scale, factors = _fitted(stamps, fields)
    scale, rest = np.split(factors, [of_scale])
    rest = rest.reshape(len(shapes) - 1, -1)
    return VaryingKernel(
        shapes, np.round(scale, _DIGITS), np.round(rest, _DIGITS), shape, len(places)
    )


def stamp_side(widths: tuple[float, float], image_radius: int) -> int:
    """Return the side of the stamps that `fit_varying_kernel` takes, px."""
    fwhm_px = np.array(widths, dtype=np.float64)
    return 2 * (kernel_radius(fwhm_px) + fit_radius(fwhm_px) + image_radius) + 1


def kernel_by_widths(widths: tuple[float, float], shape: tuple[int, int]) -> VaryingKernel:
    """Return the kernel that follows from widths alone: a Gaussian, or a point to sharpen."""
    radius = kernel_radius(np.array(widths, dtype=np.float64))
    taps = kernel_by_width(radius, *widths)[None].astype(np.float64)
    return VaryingKernel(taps / taps.sum(), np.ones(1), np.empty((0, 1)), shape, 0)


def _normalised(
    x: np.ndarray, y: np.ndarray, shape: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray]:
    cx, cy, size = normalisation(shape)
    return (x - cx) / size, (y - cy) / size


def _degree_of(terms: int) -> int:
    return next(degree for degree in range(4) if count_terms(degree) == terms)


def _unit_basis(radius: int, fwhm_px: np.ndarray) -> np.ndarray:
    """Return the shapes of a kernel: a point, and others of sum 0."""
    missing = np.sqrt(abs(float(fwhm_px[1]) ** 2 - float(fwhm_px[0]) ** 2)) / FWHM_PER_SIGMA
    shapes = kernel_basis(radius, max(_NARROWEST, missing))
    sums = shapes.sum(axis=(1, 2))
    sums[0] = 0.0
    return shapes - sums[:, None, None] * shapes[0]


def _pixels(radius: int) -> np.ndarray:
    pixels = disc(radius)
    return pixels if radius < _SPARSE_RADIUS else pixels[(pixels % 2 == 0).all(axis=1)]


def _filtered(taps: np.ndarray, image: np.ndarray) -> np.ndarray:
    """Return the kernel that convolves and filters at once."""
    side = len(taps) + len(image) - 1
    both = np.zeros((side, side))
    for v, row in enumerate(image):
        for u, weight in enumerate(row.tolist()):
            both[v : v + len(taps), u : u + len(taps)] += weight * taps
    return both


def _terms_of(light, variance, kernels, pixels):
    """Return stamps correlated with kernels ``(k, s, m)``, and the variance of the pixels."""
    size = len(light) * len(pixels)
    terms = np.empty((len(kernels), size), dtype=np.float32)
    data = np.empty((3, size), dtype=np.float32)
    if len(kernels) == 1:  # it looks at the first two
        kernels, terms = np.repeat(kernels, 2, axis=0), np.repeat(terms, 2, axis=0)
    fill_terms(light, variance, kernels, pixels, terms, data)
    by_star = (-1, len(light), len(pixels))
    known = np.isfinite(data[0]) & np.isfinite(terms[0])
    return terms.reshape(by_star), np.where(known, data[1], np.nan).reshape(by_star[1:])


class _Stamps(NamedTuple):
    """Filtered pixels of stars: ``terms (s, k, m)``; target, weight ``(s, m)``; 0 = no data."""

    terms: np.ndarray
    target: np.ndarray
    weight: np.ndarray

    def chosen(self, which: np.ndarray) -> "_Stamps":
        return _Stamps(*(np.ascontiguousarray(plane[which]) for plane in self))


def _stamps_of(reference, sub, squares: float) -> _Stamps:
    terms, target = reference[0].astype(np.float64), sub[0][0].astype(np.float64)
    noise = squares * (reference[1].astype(np.float64) + sub[1])
    known = np.isfinite(noise) & np.isfinite(terms).all(axis=0) & np.isfinite(target) & (noise > 0)
    shape_error = _SHAPE_ERROR * np.maximum(np.where(known, terms[0], 0.0), 0.0)
    weight = np.where(known, 1.0 / (np.where(known, noise, 1.0) + shape_error**2), 0.0)
    terms = np.ascontiguousarray(np.where(known, terms, 0.0).swapaxes(0, 1))
    return _Stamps(terms, np.where(known, target, 0.0), weight)


def _fitted(stamps: _Stamps, fields: list[np.ndarray]) -> tuple[int, np.ndarray]:
    """Choose the degrees; return the number of terms of the scale, and the factors."""
    count = len(stamps.target)
    first = 1 if count >= 2 * STARS_A_TERM * count_terms(1) else 0
    start = (fields[first], fields[first])
    weight = stamps.weight
    for _ in range(_ROUNDS):
        factors = _solve(_sums(stamps, weight), *start, np.ones(count))
        rest = np.empty_like(stamps.target)
        residuals(stamps.terms, stamps.target, *start, factors, rest)
        weight = stamps.weight / (1.0 + rest * rest * stamps.weight / _HUBER**2)
    sums = _sums(stamps, weight)
    trust = _trust(sums, (weight > 0).sum(axis=1), *start)
    best, chosen = np.inf, (0, 0)
    for tried in _DEGREES:
        if tried != (0, 0) and count < 2 * STARS_A_TERM * count_terms(max(tried)):
            continue
        error = _error_left_out(sums, fields[tried[0]], fields[tried[1]], trust)
        if error < _GAIN * best:
            best, chosen = error, tried
    of_scale, of_shape = fields[chosen[0]], fields[chosen[1]]
    return of_scale.shape[1], _solve(sums, of_scale, of_shape, trust)


def _sums(stamps: _Stamps, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    stars, shapes, _ = stamps.terms.shape
    sums = np.zeros((stars, shapes, shapes)), np.zeros((stars, shapes)), np.zeros(stars)
    sum_stars(stamps.terms, stamps.target, weight, *sums)
    return sums


def _solve(sums, of_scale, of_shape, trust):
    gram, right, _ = sums
    factors = np.zeros(of_scale.shape[1] + (gram.shape[1] - 1) * of_shape.shape[1])
    solve_field(gram, right, of_scale, of_shape, trust, factors)
    return factors


def _trust(sums, pixels, of_scale, of_shape):
    """Return a weight for each star: low for those, as variables, that the others do not fit."""
    gram, right, square = sums
    trust, errors = np.ones(len(pixels)), np.empty(len(pixels))
    for _ in range(2):
        factors = _solve(sums, of_scale, of_shape, trust)
        star_errors(gram, right, square, of_scale, of_shape, factors, errors)
        share = errors / pixels
        limit = 4.0 * max(float(np.median(share)), 0.2)
        trust = np.where(share <= limit, 1.0, limit / np.maximum(share, limit)) ** 2
    return trust


def _error_left_out(sums, of_scale, of_shape, trust) -> float:
    """Return the cross-validation error: weighted squared residuals of the stars left out."""
    gram, right, square = sums
    total = 0.0
    fold_of = np.arange(len(trust)) % _FOLDS
    errors = np.empty(len(trust))
    for fold in range(_FOLDS):
        out = fold_of == fold
        factors = _solve(sums, of_scale, of_shape, np.where(out, 0.0, trust))
        star_errors(gram, right, square, of_scale, of_shape, factors, errors)
        total += float((errors * trust)[out].sum())
    return total
