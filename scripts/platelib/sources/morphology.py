"""Concentration of sources, compared with the PSF at their position.

Concentration is the ratio, in magnitudes, of the light under a wide and a narrow Gaussian about a
source. A star has that of the point spread function at its place; what is wider is extended, if it
is by more than noise and neighbours can explain.
"""

from dataclasses import dataclass

import numpy as np

from platelib.numerics.constants import MAG_ERROR
from platelib.numerics.half_sample_mode import half_sample_mode
from platelib.numerics.medians import mad_sigma
from platelib.numerics.transform import basis, least_squares, normalisation, polynomial
from platelib.sources.background_subtracted import FieldSky

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
_AT_A_TIME = 512


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
        ``(ny, nx)`` float32, background subtracted, 0 where there are no data.
    x, y : numpy.ndarray
        ``(n,)`` float64.
    half_light_px : float
        Of stars.
    noise_factor : float
        Noise of sums over that of independent pixels.
    """
    # Where stars are hardly wider than a pixel, a narrow Gaussian would weigh how pixels cut them.
    scale = max(half_light_px, _LEAST_PX)
    reach = int(np.ceil(_REACH * WIDE * scale)) + 1
    value, error = np.full((2, x.size), np.nan)
    for start in range(0, x.size, _AT_A_TIME):
        part = slice(start, start + _AT_A_TIME)
        stamp, sigma, dx, dy = _symmetric(image, noise, x[part], y[part], reach)
        narrow, wide = (
            np.exp(-0.5 * (dy[:, :, None] ** 2 + dx[:, None, :] ** 2) / (width * scale) ** 2)
            for width in (NARROW, WIDE)
        )
        inside, whole = ((stamp * weight).sum(axis=(1, 2)) for weight in (narrow, wide))
        good = (inside > 0) & (whole > 0)
        inside, whole = (np.where(good, total, np.nan) for total in (inside, whole))
        value[part] = np.log10(whole / inside)
        # Both sums share their pixels; this is the noise of their ratio.
        wide /= whole[:, None, None]
        narrow /= inside[:, None, None]
        error[part] = np.sqrt(((sigma * (wide - narrow)) ** 2).sum(axis=(1, 2)))
    return Concentrations(2.5 * value, MAG_ERROR * noise_factor * error)


def _symmetric(
    image: np.ndarray, noise: np.ndarray, x: np.ndarray, y: np.ndarray, reach: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Cut sources out, less one-sided light; return them, their noise, and distances in x and y."""
    grid = np.arange(2 * reach + 1)
    left, bottom = (np.rint(place).astype(int)[:, None] - reach for place in (x, y))
    ny, nx = image.shape
    rows, columns = np.clip(bottom + grid, 0, ny - 1), np.clip(left + grid, 0, nx - 1)
    here = rows[:, :, None], columns[:, None, :]
    stamp, sigma = image[here].astype(np.float64), noise[here].astype(np.float64)
    px, py = x[:, None] - left, y[:, None] - bottom
    opposite = _mirrored(_mirrored(stamp, py[:, 0]).swapaxes(1, 2), px[:, 0]).swapaxes(1, 2)
    # The profile is steep, and between pixels it is only interpolated.
    allowed = _CLIP * np.hypot(sigma, _STEEPNESS * np.abs(opposite))
    return np.where(stamp > opposite + allowed, opposite, stamp), sigma, grid - px, grid - py


def _mirrored(stamps: np.ndarray, middle: np.ndarray) -> np.ndarray:
    """Turn the rows of stamps about a row between pixels, linearly; the edge goes on outside."""
    last = stamps.shape[1] - 1
    whole = np.floor(2 * middle)
    share = (2 * middle - whole)[:, None, None]
    row = whole[:, None].astype(int) - np.arange(last + 1)
    lower, upper = (
        np.take_along_axis(stamps, np.clip(k, 0, last)[:, :, None], axis=1) for k in (row, row + 1)
    )
    return (1 - share) * lower + share * upper


def star_locus(
    x: np.ndarray,
    y: np.ndarray,
    value: np.ndarray,
    error: np.ndarray,
    stars: np.ndarray,
    shape: tuple[int, int],
) -> tuple[np.ndarray, float]:
    """Return the concentration of a star at each position, and the scatter of stars.

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
    # Stars cluster at the narrow end; wider sources may be the majority.
    middle = half_sample_mode(value[kept])
    narrow = value[kept & (value <= middle)]
    scatter = max(mad_sigma(narrow, middle), 1e-3)
    locus = np.full(x.size, middle)
    for _ in range(_ROUNDS):
        close = kept & (np.abs(value - locus) <= 3 * scatter)
        if close.sum() < 2 * terms.shape[0]:
            break
        solved = least_squares(
            terms[:, close], value[None, close], 1 / (error[close] ** 2 + 0.01**2)
        )
        locus = np.round(polynomial(terms, solved)[0], 5)
        scatter = max(mad_sigma((value - locus)[close], 0.0), 1e-3)
    return locus, scatter


def extended(
    concentration: Concentrations, locus: np.ndarray, scatter: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return which sources are wider than a star at their position.

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
    """Return which sources have the flat top of saturated stars.

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
