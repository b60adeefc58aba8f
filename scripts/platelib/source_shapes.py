"""How concentrated the light of sources is, and whether that is what a star looks like there.

Concentration is the ratio, in magnitudes, of the light under a wide and a narrow Gaussian about a
source. A star has that of the point spread function at its place; what is wider is extended, if it
is by more than noise and neighbours can explain.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates

from platelib.field_sky import FieldSky
from platelib.modes import half_sample_mode
from platelib.transforms import basis, least_squares, normalisation, polynomial

NARROW, WIDE = 0.5, 1.5
"""Standard deviations of the two Gaussians in half-light radii of stars."""

_REACH = 3.0
_LEAST_PX = 1.6

_CLIP = 2.5
_STEEPNESS = 0.03
_MARGIN_MAG = 0.08
_EXTENDED_SIGMA = 3.5
_FEWEST_FOR_BENDING = 30
_ROUNDS = 6
_MAD_TO_SIGMA = 1.482602218505602


@dataclass(frozen=True)
class Concentrations:
    """Concentration of sources.

    Attributes
    ----------
    value, error : numpy.ndarray
        ``(n,)`` magnitudes, with what neighbours add on one side taken away; NaN where there is
        no light.
    """

    value: np.ndarray
    error: np.ndarray


def concentrations(
    image: np.ndarray,
    noise: np.ndarray,
    x: np.ndarray,
    y: np.ndarray,
    half_light_px: float,
    noise_factor: float,
) -> Concentrations:
    """Measure the concentration of sources.

    A pixel that is brighter than the one opposite of the source by more than noise can be, takes
    the value of the latter: stars and galaxies look the same from both sides, neighbours do not.

    Parameters
    ----------
    image, noise : numpy.ndarray
        ``(ny, nx)`` float32, sky taken off, 0 where there are no data.
    x, y : numpy.ndarray
        ``(n,)`` float64.
    half_light_px : float
        Of stars.
    noise_factor : float
        Noise of sums over that of independent pixels.
    """
    # Where stars are hardly wider than a pixel, a narrow Gaussian would weigh how pixels cut them.
    scale = max(half_light_px, _LEAST_PX)
    narrow, wide = NARROW * scale, WIDE * scale
    reach = int(np.ceil(_REACH * wide)) + 1
    value, error = np.full((2, x.size), np.nan)
    for k in range(x.size):
        stamp, sigma, squared = _symmetric(image, noise, float(x[k]), float(y[k]), reach)
        weights = [np.exp(-0.5 * squared / width**2) for width in (narrow, wide)]
        inside, whole = (float((stamp * weight).sum()) for weight in weights)
        if inside > 0 and whole > 0:
            value[k] = np.log10(whole / inside)
            # Both sums share their pixels; this is the noise of their ratio.
            error[k] = np.sqrt(((sigma * (weights[1] / whole - weights[0] / inside)) ** 2).sum())
    return Concentrations(2.5 * value, 2.5 / np.log(10) * noise_factor * error)


def _symmetric(
    image: np.ndarray, noise: np.ndarray, x: float, y: float, reach: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cut a source out, less one-sided light; return it, its noise, and the squared distance."""
    left, bottom = int(np.rint(x)) - reach, int(np.rint(y)) - reach
    grid = np.arange(2 * reach + 1)
    ny, nx = image.shape
    rows, columns = np.clip(bottom + grid, 0, ny - 1), np.clip(left + grid, 0, nx - 1)
    stamp = image[np.ix_(rows, columns)].astype(np.float64)
    sigma = noise[np.ix_(rows, columns)].astype(np.float64)
    px, py = x - left, y - bottom
    opposite = map_coordinates(
        stamp, np.meshgrid(2 * py - grid, 2 * px - grid, indexing="ij"), order=1, mode="nearest"
    )
    # The profile is steep, and between pixels it is only interpolated.
    allowed = _CLIP * np.hypot(sigma, _STEEPNESS * np.abs(opposite))
    squared = (grid - px) ** 2 + (grid[:, None] - py) ** 2
    return np.where(stamp > opposite + allowed, opposite, stamp), sigma, squared


def star_locus(
    x: np.ndarray,
    y: np.ndarray,
    value: np.ndarray,
    error: np.ndarray,
    stars: np.ndarray,
    shape: tuple[int, int],
) -> tuple[np.ndarray, float]:
    """Return the concentration that a star would have at each place, and the scatter of stars.

    Parameters
    ----------
    x, y, value, error : numpy.ndarray
        ``(n,)`` of all sources.
    stars : numpy.ndarray
        ``(n,)`` bool, bright single stars, with some others among them.
    shape : tuple of int
        ``(ny, nx)`` of the image.

    Returns
    -------
    locus : numpy.ndarray
        ``(n,)``; a quadratic in the place, or a constant where stars are few.
    scatter : float
        Standard deviation of bright stars about it.

    Raises
    ------
    ValueError
        If there is no star.
    """
    kept = stars & np.isfinite(value)
    if not kept.any():
        msg = "there is no bright single star to compare sources with"
        raise ValueError(msg)
    cx, cy, scale = normalisation(shape)
    degree = 2 if kept.sum() >= _FEWEST_FOR_BENDING else 0
    terms = basis((x - cx) / scale, (y - cy) / scale, degree)
    # Stars crowd at the narrow end; what is wider than they may be the larger part.
    middle = half_sample_mode(value[kept])
    narrow = middle - value[kept & (value <= middle)]
    scatter = max(_MAD_TO_SIGMA * float(np.median(narrow)), 1e-3)
    locus = np.full(x.size, middle)
    for _ in range(_ROUNDS):
        close = kept & (np.abs(value - locus) <= 3 * scatter)
        if close.sum() < 2 * terms.shape[0]:
            break
        solved = least_squares(
            terms[:, close], value[None, close], 1 / (error[close] ** 2 + 0.01**2)
        )
        locus = np.round(polynomial(terms, solved)[0], 5)
        away = np.abs(value - locus)[close]
        scatter = max(_MAD_TO_SIGMA * float(np.median(away)), 1e-3)
    return locus, scatter


def extended(
    concentration: Concentrations, locus: np.ndarray, scatter: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Say which sources are wider than a star at their place.

    Parameters
    ----------
    concentration : Concentrations
    locus : numpy.ndarray
        ``(n,)`` that of a star.
    scatter : numpy.ndarray
        ``(n,)`` what the concentration may be off by, beside its own noise, in magnitudes.

    Returns
    -------
    is_extended : numpy.ndarray
        ``(n,)`` bool.
    excess_sigma : numpy.ndarray
        ``(n,)`` by how many sigma the concentration is off that of a star.
    """
    spread = np.hypot(concentration.error, scatter)
    excess = concentration.value - locus
    with np.errstate(invalid="ignore"):
        wide = (excess > _EXTENDED_SIGMA * spread) & (excess > _MARGIN_MAG)
    return wide, excess / spread


def flat_topped(field: FieldSky, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Say which sources have the flat top of saturated stars.

    Tops are flat if four pixels or more about the place are within a tenth of the brightest. They
    are those of saturation if two or more of them are nearly as bright as the brightest pixel.
    """
    column = np.clip(np.rint(x).astype(int), 3, field.image.shape[1] - 4)
    row = np.clip(np.rint(y).astype(int), 3, field.image.shape[0] - 4)
    steps = np.arange(-3, 4)
    cores = field.image[row[:, None, None] + steps[:, None], column[:, None, None] + steps]
    peak = cores.max(axis=(1, 2))
    flat = (cores >= 0.9 * peak[:, None, None]).sum(axis=(1, 2)) >= 4
    high = flat & (peak >= 0.8 * field.image.max())
    return high if high.sum() >= 2 else np.zeros_like(high)
