"""The image of a point source in a sub, as it varies over the field.

It is the mean of the sub's own bright stars, each moved to the middle of a pixel; every pixel of
it is a polynomial of the place in the field.
"""

from dataclasses import dataclass

import numpy as np

from platelib.integration.psf_kernels import FEWEST_STARS, fill_holes
from platelib.numerics.constants import FWHM_PER_SIGMA
from platelib.numerics.kernels import allocating_kernel
from platelib.numerics.polynomial_degree import STARS_A_TERM, count_terms
from platelib.numerics.transform import basis as powers
from platelib.numerics.transform import least_squares, normalisation, polynomial
from platelib.resampling.lanczos import lanczos

_REACH_FWHM = 1.5
_LARGEST_RADIUS = 10
_SHAPE_ERROR = 0.01
_ROUNDS = 4
_DIGITS = 7
RANK = 2
"""Parts of a filter: of a star image twice as long as wide they miss 1 % of the signal."""


@dataclass(frozen=True)
class StarImage:
    """The image of a point source of unit flux.

    Attributes
    ----------
    pixels : numpy.ndarray
        ``(m, side, side)`` float64: coefficients of each pixel, polynomials of the place in the
        field as in `platelib.numerics.transform`. The light inside the disc of the stamp is 1.
    shape : tuple of int
        ``(ny, nx)`` of the field.
    stars : int
        Stars that it is the mean of; 0 if it is a Gaussian.
    """

    pixels: np.ndarray
    shape: tuple[int, int]
    stars: int

    @property
    def radius(self) -> int:
        """Half the side, less half a pixel."""
        return self.pixels.shape[-1] // 2

    def at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return the images at places, ``(n, side, side)`` float64, each of sum 1."""
        cx, cy, size = normalisation(self.shape)
        u, v = (np.asarray(x, np.float64) - cx) / size, (np.asarray(y, np.float64) - cy) / size
        degree = next(d for d in range(3) if count_terms(d) == len(self.pixels))
        flat = self.pixels.reshape(len(self.pixels), -1)
        images = polynomial(powers(u, v, degree), flat.T).T
        return (images / images.sum(axis=1, keepdims=True)).reshape(-1, *self.pixels.shape[1:])

    @property
    def middle(self) -> np.ndarray:
        """The image in the middle of the field, ``(side, side)`` float64."""
        cx, cy, _ = normalisation(self.shape)
        return self.at(np.array([cx]), np.array([cy]))[0]


def image_radius(fwhm_px: float) -> int:
    """Return the radius of the image of a star of some width, px."""
    return int(min(_LARGEST_RADIUS, max(3, np.ceil(_REACH_FWHM * fwhm_px))))


def gaussian_image(fwhm_px: float, shape: tuple[int, int]) -> StarImage:
    """Return a round Gaussian, for subs without enough stars."""
    radius = image_radius(fwhm_px)
    step = np.arange(-radius, radius + 1)
    # A pixel averages over its square, which adds a twelfth to the variance.
    line = np.exp(-0.5 * step**2 / ((fwhm_px / FWHM_PER_SIGMA) ** 2 + 1 / 12))
    plane = line * line[:, None] * _disc(radius)
    return StarImage((plane / plane.sum())[None], shape, 0)


def fit_star_image(
    fwhm_px: float,
    light: np.ndarray,
    variance: np.ndarray,
    places: np.ndarray,
    shape: tuple[int, int],
) -> StarImage:
    """Average the images of stars.

    Parameters
    ----------
    fwhm_px : float
    light, variance : numpy.ndarray
        ``(s, side, side)`` float32: stamps about the pixels in which stars lie, less the sky. NaN =
        no data.
    places : numpy.ndarray
        ``(s, 2)`` float64: x and y of the stars in the field; the middle of stamp ``k`` is the
        pixel ``rint(places[k])``.
    shape : tuple of int
        ``(ny, nx)`` of the field.

    Returns
    -------
    StarImage
        A Gaussian if fewer than 4 stars have data.
    """
    radius = image_radius(fwhm_px)
    stamps, noise = _centred(light, variance, places, radius)
    inside = _disc(radius)
    flux = (stamps * inside).sum(axis=(1, 2))
    good = np.isfinite(flux) & (flux > 20.0 * np.sqrt((noise * inside).sum(axis=(1, 2))))
    if good.sum() < FEWEST_STARS:
        return gaussian_image(fwhm_px, shape)
    stamps, noise, flux, places = stamps[good], noise[good], flux[good], places[good]
    cx, cy, size = normalisation(shape)
    u, v = (places[:, 0] - cx) / size, (places[:, 1] - cy) / size
    degree = max(d for d in range(3) if d == 0 or len(u) >= 3 * STARS_A_TERM * count_terms(d))
    terms = powers(u, v, degree)
    pixels = _robust_mean(stamps, noise, flux, terms, inside)
    return StarImage(np.round(pixels, _DIGITS), shape, len(u))


def _robust_mean(stamps, noise, flux, terms, inside):
    """Fit each pixel over the stars, with less weight for stars that differ from the others."""
    shares = stamps / flux[:, None, None]
    error = noise[:, inside].mean(axis=1) / flux**2 + (_SHAPE_ERROR * shares.max(axis=(1, 2))) ** 2
    weights = 1.0 / error
    target = shares[:, inside].T
    for _ in range(_ROUNDS):
        found = least_squares(terms, target, weights)
        rest = target - polynomial(terms, found)
        pull = (rest**2).mean(axis=0) / error
        pull /= max(float(np.median(pull)), 1e-12)
        weights = 1.0 / (error * (1.0 + (pull / 4.0) ** 2))
    pixels = np.zeros((len(terms), *inside.shape))
    pixels[:, inside] = found.T
    total = pixels[0].sum()
    return pixels / total


def _centred(light, variance, places, radius):
    """Move stars to the middle of their stamps by Lanczos interpolation."""
    offsets = places - np.rint(places)
    side = 2 * radius + 1
    moved = np.empty((len(light), side, side))
    middle = light.shape[1] // 2
    inner = slice(middle - radius, middle + radius + 1)
    whole = np.floor(offsets)
    weights = np.stack([lanczos(offsets - whole, tap) for tap in range(-2, 4)], axis=-1)
    _move(light, whole.astype(np.int64), weights, moved)
    return moved, variance[:, inner, inner].astype(np.float64)


@allocating_kernel
def _move(light, whole, weights, moved):
    """Read the stamps of stars at places that are whole pixels and a fraction away."""
    side = moved.shape[1]
    first = light.shape[1] // 2 - side // 2
    filled = np.empty(light.shape[1:])
    columns = np.empty((side, light.shape[2]))
    for k in range(light.shape[0]):
        fill_holes(light[k], filled)
        for y in range(side):
            for x in range(light.shape[2]):
                total = 0.0
                for tap in range(6):
                    total += weights[k, 1, tap] * filled[first + y + whole[k, 1] + tap - 2, x]
                columns[y, x] = total
        for y in range(side):
            for x in range(side):
                total = 0.0
                for tap in range(6):
                    total += weights[k, 0, tap] * columns[y, first + x + whole[k, 0] + tap - 2]
                moved[k, y, x] = total


def _disc(radius: int) -> np.ndarray:
    step = np.arange(-radius, radius + 1)
    return np.asarray(step**2 + step[:, None] ** 2 <= (radius + 0.5) ** 2)


def separable_parts(image: np.ndarray, rank: int = RANK) -> tuple[np.ndarray, np.ndarray]:
    """Return columns and rows whose products add up to nearly an image.

    Parameters
    ----------
    image : numpy.ndarray
        ``(side, side)`` float64.
    rank : int

    Returns
    -------
    down, across : numpy.ndarray
        ``(rank, side)`` float32. The power method finds one term at a time. Therefore the residual
        is orthogonal to the sum of the terms, and the sum has the norm of a matched filter.
    """
    rest = np.array(image, dtype=np.float64)
    down, across = np.zeros((rank, len(rest))), np.zeros((rank, len(rest)))
    for k in range(rank):
        row = rest[int(np.argmax((rest**2).sum(axis=1)))].copy()
        for _ in range(40):
            column = (rest * row).sum(axis=1)
            column /= max(float(np.sqrt((column**2).sum())), 1e-300)
            row = (rest * column[:, None]).sum(axis=0)
        down[k], across[k] = column, row
        rest -= column[:, None] * row
    return down.astype(np.float32), across.astype(np.float32)
