"""Subs of a night on the grid and the stack of the others, drawn with known truth.

Raw subs have photon and read noise, a dither, seeing and a transparency of their own. They are
resampled by the pipeline's function, so that the noise of neighbouring pixels is correlated as in
real subs.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import fftconvolve

from platelib.numerics.transform import Transform, normalisation
from platelib.resampling.resample import Cutout, Levels, resample
from platelib.simulate.psf import add_stars, kernel, moffat_image

ZONES = 4


@dataclass(frozen=True)
class Sky:
    """What is in a drawn field, in electrons of a sub at full transparency.

    Attributes
    ----------
    shape : tuple of int
    stars : numpy.ndarray
        ``(s, 3)``: x, y, flux; brightest first.
    galaxies : numpy.ndarray
        ``(g, 4)``: x, y, flux, scale length in px.
    level : float
        Sky a pixel.
    """

    shape: tuple[int, int]
    stars: np.ndarray
    galaxies: np.ndarray
    level: float


def draw_sky(rng, shape=(480, 520), stars=150, galaxies=6, level=400.0, brightest=3e5) -> Sky:
    """Draw a field whose stars follow a power law of flux."""
    ny, nx = shape
    flux = np.sort(np.minimum(150.0 * rng.pareto(0.6, stars) + 150.0, brightest))[::-1]
    places = rng.uniform(0, 1, (stars, 2)) * (nx - 1, ny - 1)
    far = rng.uniform(0.1, 0.9, (galaxies, 2)) * (nx - 1, ny - 1)
    light = 10 ** rng.uniform(3.5, 5.0, (galaxies, 1))
    scale = rng.uniform(2.0, 8.0, (galaxies, 1))
    return Sky(shape, np.column_stack([places, flux]), np.hstack([far, light, scale]), level)


@dataclass(frozen=True)
class Conditions:
    """How one sub was taken.

    Attributes
    ----------
    fwhm_px : float
    beta : float
    drift_px : tuple of float
        Smear of all star images by guiding.
    spread : float
        Growth of the FWHM from the middle of the field to its corners, as a share.
    transparency : float
    dither_px : tuple of float
    turn_deg : float
    exposure : float
        Share of the sky's electrons, for shallow subs.
    extra : numpy.ndarray
        ``(m, 5)``: x, y, flux, and the smear in x and y of what only this sub shows.
    rays : int
        Cosmic rays of one or two pixels.
    satellite : tuple of float, optional
        x, y, angle in degrees and electrons a pixel of length.
    """

    fwhm_px: float = 3.0
    beta: float = 3.3
    drift_px: tuple[float, float] = (0.0, 0.0)
    spread: float = 0.0
    transparency: float = 1.0
    dither_px: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    exposure: float = 1.0
    extra: np.ndarray = field(default_factory=lambda: np.empty((0, 5)))
    rays: int = 0
    satellite: tuple[float, float, float, float] | None = None


READ_NOISE_E = 6.0
FULL_WELL_E = 60_000.0


@dataclass(frozen=True)
class DrawnSub:
    """A sub on the grid, in electrons of a sub at full transparency and exposure, less its sky.

    ``gain`` is the variance that a unit of light adds, ``saturation`` the saturation level.
    """

    values: np.ndarray
    variances: np.ndarray
    transform: Transform
    gain: float
    saturation: float


def draw_sub(rng, sky: Sky, taken: Conditions) -> DrawnSub:
    """Draw a raw sub and resample it onto the grid."""
    transform = _transform(sky.shape, taken)
    light = _light(rng, sky, taken, transform) + np.float32(sky.level)
    light *= np.float32(taken.exposure)
    raw = rng.poisson(np.maximum(light, 0)).astype(np.float64)
    raw = np.minimum(raw + rng.normal(0, READ_NOISE_E, raw.shape), FULL_WELL_E)
    for _ in range(taken.rays):
        y, x = (int(rng.integers(3, size - 3)) for size in sky.shape)
        raw[y, x] += rng.uniform(200, 5000)
        raw[y, x + 1] += rng.uniform(0, 500)
    variance = (np.maximum(raw, 0) + READ_NOISE_E**2).astype(np.float32)
    mask = np.zeros(raw.shape, dtype=np.uint8)
    source = Cutout(raw.astype(np.float32), variance, mask, 0, 0, raw.shape)
    ny, nx = sky.shape
    factor = 1.0 / (taken.exposure * taken.transparency)
    levels = Levels(factor, (sky.level / taken.transparency,))
    values, variances = resample(source, transform, (0, ny), (0, nx), levels)
    full = FULL_WELL_E * factor - sky.level / taken.transparency
    return DrawnSub(values, variances, transform, factor, full)


def _transform(shape, taken: Conditions) -> Transform:
    cx, cy, scale = normalisation(shape)
    angle = np.radians(taken.turn_deg)
    c, s = scale * np.cos(angle), scale * np.sin(angle)
    dx, dy = taken.dither_px
    return Transform(1, cx, cy, scale, np.array([cx + dx, c, -s]), np.array([cy + dy, s, c]))


def _light(rng, sky: Sky, taken: Conditions, transform: Transform) -> np.ndarray:
    light = np.zeros(sky.shape, dtype=np.float32)
    x, y = transform(sky.stars[:, 0], sky.stars[:, 1])
    ny, nx = sky.shape
    across = np.clip((ZONES * x / nx).astype(int), 0, ZONES - 1)
    down = np.clip((ZONES * y / ny).astype(int), 0, ZONES - 1)
    for j in range(ZONES if taken.spread else 1):
        for i in range(ZONES if taken.spread else 1):
            here = (across == i) & (down == j) if taken.spread else np.ones(len(x), dtype=bool)
            away = np.hypot(i - (ZONES - 1) / 2, j - (ZONES - 1) / 2) / (ZONES / 2)
            image = moffat_image(
                taken.fwhm_px * (1 + taken.spread * away), taken.beta, taken.drift_px
            )
            add_stars(light, x[here], y[here], sky.stars[here, 2] * taken.transparency, image)
    _add_galaxies(light, sky, taken, transform)
    for ox, oy, flux, across_px, down_px in taken.extra:
        smear = (taken.drift_px[0] + across_px, taken.drift_px[1] + down_px)
        reach = int(24 + np.hypot(*smear) / 2)
        image = moffat_image(taken.fwhm_px, taken.beta, smear, radius_px=reach)
        at = transform(np.array([ox]), np.array([oy]))
        add_stars(light, *at, flux * taken.transparency, image)
    if taken.satellite is not None:
        _add_satellite(light, taken)
    return light


def _add_galaxies(light, sky: Sky, taken: Conditions, transform: Transform) -> None:
    """Add exponential discs, blurred by the seeing of the middle of the field."""
    rows, columns = np.indices(sky.shape)
    discs = np.zeros(sky.shape)
    for gx, gy, flux, scale in sky.galaxies:
        x, y = transform(np.array([gx]), np.array([gy]))
        disc = np.exp(-np.sqrt((columns - x) ** 2 + 1.6 * (rows - y) ** 2 + 0.5) / scale)
        discs += flux * taken.transparency * disc / disc.sum()
    if len(sky.galaxies):
        blur = kernel(moffat_image(taken.fwhm_px, taken.beta, taken.drift_px))
        light += fftconvolve(discs, blur, mode="same").astype(np.float32)


def _add_satellite(light, taken: Conditions) -> None:
    x0, y0, angle, electrons = taken.satellite
    rows, columns = np.indices(light.shape)
    turn = np.radians(angle)
    away = (rows - y0) * np.cos(turn) - (columns - x0) * np.sin(turn)
    sigma = taken.fwhm_px / 2.3548
    line = np.exp(-0.5 * (away / sigma) ** 2) / (np.sqrt(2 * np.pi) * sigma)
    light += (electrons * line).astype(np.float32)


@dataclass(frozen=True)
class DrawnStack:
    """The weighted mean of subs after rejection, with the weight of each sub in it."""

    mean: np.ndarray
    variance: np.ndarray
    shares: np.ndarray


def stack(subs: list[DrawnSub]) -> DrawnStack:
    """Average subs with the inverse of their sky's variance; reject 4.5 sigma about the median."""
    values = np.stack([sub.values for sub in subs]).astype(np.float64)
    variances = np.stack([sub.variances for sub in subs]).astype(np.float64)
    known = np.isfinite(values)
    count = known.sum(axis=0)
    # What is unknown sorts last.
    middle = np.take_along_axis(np.sort(values, axis=0), (np.maximum(count, 1) // 2)[None], axis=0)
    weights = np.array([1 / np.median(v[k]) for v, k in zip(variances, known, strict=True)])
    limit = 4.5 * np.sqrt(variances) + 0.15 * np.maximum(middle, 0)
    kept = known & (np.abs(values - middle) < limit)
    kept |= known & (kept.sum(axis=0) < 2)
    part = np.where(kept, weights[:, None, None], 0.0)
    total = np.maximum(part.sum(axis=0), 1e-30)
    shares = part / total
    mean = np.where(kept, shares * values, 0).sum(axis=0)
    variance = np.where(kept, shares**2 * variances, 0).sum(axis=0)
    mean[count == 0] = variance[count == 0] = np.nan
    return DrawnStack(
        mean.astype(np.float32), variance.astype(np.float32), shares.astype(np.float32)
    )
