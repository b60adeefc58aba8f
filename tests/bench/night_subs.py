"""Subs of several nights on one grid, with artefacts of known light, and both ways to their mean.

The noise is that of photons and of readout. The sky and the seeing change within nights and between
them; each night has a gradient and an error of its flats of 0.5 % of its sky. Cosmic rays, trails
and slow movers are added to what the camera would have seen.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import gaussian_filter

from platelib.integration.clipped_average import clipped_average
from platelib.integration.psf_comparison import Comparison, comparison, no_comparison
from platelib.integration.psf_kernels import fit_kernels
from platelib.integration.psf_partners import stamp_radius, wanted_stars
from platelib.integration.rejection import Rejection
from platelib.night_merge.limits import night_limits
from platelib.night_merge.merge import merge
from platelib.night_merge.offsets import measure
from platelib.night_merge.samples import NightSamples
from platelib.registration.sub_state import ENOUGH_TO_REJECT
from platelib.simulate.psf import add_stars, moffat_image

SKY, READ_NOISE, FULL = 300.0, 3.3, 60_000.0
SYSTEMATIC = 0.005
"""Gradient and flat errors of a night, as shares of its sky."""
RAY_CLASSES = (3.0, 6.0, 15.0, 300.0)
KINDS = ("rays 3-6", "rays 6-15", "rays 15-300", "trails", "movers")
DITHER_PX = 8
RULE = Rejection("noise", 4.0, 4.0, 5, 0.02)
GROW_PX = 2


@dataclass
class Subs:
    """Levelled subs, and the truth.

    Attributes
    ----------
    night : numpy.ndarray
        ``(n,)`` int: night of each sub, rising.
    values, variances : numpy.ndarray
        ``(n, ny, nx)`` float32.
    noise, fwhm_px : numpy.ndarray
        ``(n,)`` float64.
    quiet, clean : numpy.ndarray
        ``(ny, nx)`` float64: weighted mean without noise and artefacts, and without artefacts.
    light : numpy.ndarray
        ``(kinds, ny, nx)`` float64: what artefacts would add to the mean, were nothing rejected.
    x, y, flux : numpy.ndarray
        Stars.
    """

    night: np.ndarray
    values: np.ndarray
    variances: np.ndarray
    noise: np.ndarray
    fwhm_px: np.ndarray
    quiet: np.ndarray
    clean: np.ndarray
    light: np.ndarray
    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray


@dataclass(frozen=True)
class Sky:
    """How nights differ, and what hits subs.

    Attributes
    ----------
    brightness : tuple of float
        Least and largest sky of a night, electrons.
    fwhm_px : tuple of float
        Least and largest seeing, pixels.
    rays : float
        Cosmic rays of a sub, a pixel.
    trails : float
        Trails a sub.
    movers : int
    stars : int
    systematic : float
        See `SYSTEMATIC`.
    of_nights : tuple of float
        Seeing of each night; if empty it is drawn.
    """

    brightness: tuple[float, float] = (150.0, 700.0)
    fwhm_px: tuple[float, float] = (2.4, 3.84)
    rays: float = 3e-4
    trails: float = 0.1
    movers: int = 4
    stars: int = 24
    systematic: float = SYSTEMATIC
    of_nights: tuple[float, ...] = ()


def draw(nights: list[int], shape: tuple[int, int], seed: int, sky: Sky | None = None) -> Subs:
    """Draw the subs of nights with these numbers of subs."""
    sky = sky or Sky()
    rng = np.random.default_rng(seed)
    n, night = sum(nights), np.repeat(np.arange(len(nights)), nights)
    x, y, flux = _star_field(rng, shape, sky)
    values, variances = np.empty((2, n, *shape), dtype=np.float32)
    noise, fwhm = np.empty((2, n))
    sums = np.zeros((3, *shape))
    light = np.zeros((len(KINDS), *shape))
    mid_fwhm = np.exp(rng.uniform(*np.log(sky.fwhm_px), len(nights)))
    mid_fwhm[: len(sky.of_nights)] = sky.of_nights
    mid_sky = np.exp(rng.uniform(*np.log(sky.brightness), len(nights)))
    errors = [_error_of_night(rng, shape, sky.systematic) for _ in nights]
    pointing = rng.integers(-DITHER_PX, DITHER_PX + 1, (len(nights), 2))
    movers = _Movers(rng, len(nights), sky.movers, shape)
    for i in range(n):
        k = night[i]
        phase = (i - int(np.searchsorted(night, k))) / max(nights[k] - 1, 1)
        level = mid_sky[k] * (1 + 0.3 * (phase - 0.5)) * rng.uniform(0.95, 1.05)
        fwhm[i] = np.clip(mid_fwhm[k] * rng.uniform(0.85, 1.18), *sky.fwhm_px)
        scale = 1 / rng.uniform(0.8, 1.0)
        psf = moffat_image(fwhm[i], rng.uniform(2.8, 3.4), radius_px=20)
        scene = np.zeros(shape, dtype=np.float32)
        add_stars(scene, x, y, flux / scale, psf)
        error = errors[k] * level
        electrons = rng.poisson(scene + level) + rng.normal(0, READ_NOISE, shape)
        sigma = np.sqrt(level + READ_NOISE**2)
        hits = _hits(rng, shape, sky, sigma, fwhm[i])
        hits.append(movers.drawn(k, phase, sigma, psf, shape))
        collected = electrons + sum(hits)
        noise[i] = sigma * scale
        missing = _edges(rng, shape, pointing[k])
        values[i] = np.where(missing, np.nan, scale * (collected - level + error) + SKY)
        variances[i] = scale**2 * (np.maximum(collected, 0) + READ_NOISE**2)
        weight = np.where(missing, 0, 1 / noise[i] ** 2)
        sums[0] += weight
        sums[1] += weight * (scale * (scene + error) + SKY)
        sums[2] += weight * (scale * (electrons - level + error) + SKY)
        for kind, hit in zip(light, hits, strict=True):
            kind += weight * scale * hit
    total = np.where(sums[0] > 0, sums[0], np.nan)
    quiet, clean = sums[1:] / total
    light /= total
    return Subs(night, values, variances, noise, fwhm, quiet, clean, light, x, y, flux)


def _star_field(rng, shape, sky):
    """Stars some way apart, from faint ones to nine tenths of saturation."""
    pitch = int(np.sqrt(shape[0] * shape[1] / max(sky.stars, 1)))
    y, x = np.mgrid[pitch // 2 : shape[0] - 20 : pitch, pitch // 2 : shape[1] - 20 : pitch]
    x, y = (v.ravel() + rng.uniform(-4, 4, v.size) for v in (x, y))
    brightest = 0.9 * FULL / moffat_image(sky.fwhm_px[0], 3.0).phases.max()
    return x, y, 10 ** rng.uniform(np.log10(1500.0), np.log10(brightest), x.size)


def _error_of_night(rng, shape, share):
    """A gradient and a smooth error of the flat, each of ``share`` of the sky."""
    ny, nx = shape
    v, u = np.mgrid[-1 : 1 : ny * 1j, -1 : 1 : nx * 1j]
    angle = rng.uniform(0, 2 * np.pi)
    gradient = np.cos(angle) * u + np.sin(angle) * v + rng.uniform(-0.5, 0.5) * (u * u - v * v)
    flat = gaussian_filter(rng.normal(size=shape), 25, mode="wrap")
    return share * (gradient / np.abs(gradient).max() + flat / flat.std())


def _edges(rng, shape, pointing):
    """Pixels beyond the frame of a dithered sub."""
    dy, dx = pointing + rng.integers(-DITHER_PX, DITHER_PX + 1, 2)
    missing = np.zeros(shape, dtype=bool)
    missing[slice(0, dy) if dy > 0 else slice(shape[0] + dy, None)] = True
    missing[:, slice(0, dx) if dx > 0 else slice(shape[1] + dx, None)] = True
    return missing


def _hits(rng, shape, sky, sigma, fwhm_px):
    """Light of cosmic rays of each class and of trails, electrons."""
    hits = [np.zeros(shape) for _ in KINDS[:-1]]
    ny, nx = shape
    for _ in range(rng.poisson(sky.rays * ny * nx)):
        strength = np.exp(rng.uniform(np.log(RAY_CLASSES[0]), np.log(RAY_CLASSES[-1])))
        plane = hits[int(np.searchsorted(RAY_CLASSES, strength)) - 1]
        row, column = rng.integers(ny), rng.integers(nx)
        dy, dx = rng.integers(-1, 2, 2)
        for step, share in enumerate((1.0, 0.6, 0.2)[: rng.integers(1, 4)]):
            v, u = row + step * dy, column + step * dx
            if 0 <= v < ny and 0 <= u < nx:
                plane[v, u] += share * strength * sigma
    for _ in range(rng.poisson(sky.trails)):
        v, u = np.mgrid[:ny, :nx]
        angle = rng.uniform(0, np.pi)
        through = rng.uniform(0.2, 0.8, 2) * shape
        across = (v - through[0]) * np.cos(angle) - (u - through[1]) * np.sin(angle)
        peak = sigma * np.exp(rng.uniform(np.log(3), np.log(60)))
        hits[3] += peak * np.exp(-4 * np.log(2) * (across / fwhm_px) ** 2)
    return hits


class _Movers:
    """Bodies that move by 2 to 6 px in a night and much farther between nights."""

    def __init__(self, rng, nights, count, shape):
        self._start = rng.uniform(0.1, 0.9, (nights, count, 2)) * shape
        angle = rng.uniform(0, 2 * np.pi, (nights, count))
        length = rng.uniform(2, 6, (nights, count))
        self._path = np.stack([np.sin(angle), np.cos(angle)], axis=-1) * length[..., None]
        self._peak = np.exp(rng.uniform(np.log(1.5), np.log(20), count))

    def drawn(self, night, phase, sigma, psf, shape):
        """Their light in a sub; their peaks are 1.5 to 20 times the noise of a sub."""
        plane = np.zeros(shape, dtype=np.float32)
        place = self._start[night] + phase * self._path[night]
        flux = self._peak * sigma / psf.phases.max()
        add_stars(plane, place[:, 1], place[:, 0], flux, psf)
        return plane


def kernels_of(subs: Subs, values, variances, fwhm_px) -> Comparison:
    """Fit the kernels between samples to the stars, as the integration does."""
    n = len(values)
    if n < 2:
        return no_comparison(n)
    half = stamp_radius(fwhm_px)
    ny, nx = values.shape[1:]
    stamps = []
    for k in np.argsort(-subs.flux, kind="stable"):
        row, column = int(np.rint(subs.y[k])), int(np.rint(subs.x[k]))
        if half <= row < ny - half and half <= column < nx - half:
            stamps.append((row, column))
    stamps = stamps[: wanted_stars(fwhm_px)]
    light, variance = np.empty((2, n, len(stamps), 2 * half + 1, 2 * half + 1), dtype=np.float32)
    for k, (row, column) in enumerate(stamps):
        part = np.s_[:, row - half : row + half + 1, column - half : column + half + 1]
        light[:, k], variance[:, k] = values[part] - np.float32(SKY), variances[part]
    kernels = fit_kernels(np.asarray(fwhm_px), light, variance)
    return comparison(kernels, np.full(n, FULL), RULE.tolerance)


@dataclass
class Result:
    """A mean with its variance, and the stack of samples that it was made of."""

    mean: np.ndarray
    variance: np.ndarray
    count: np.ndarray
    rejected: np.ndarray = field(repr=False)


def one_pass(subs: Subs, which=slice(None), weight: bool = False):
    """Integrate subs in one pass, or those of a night: then return average and weights kept."""
    values, variances, noise = subs.values[which], subs.variances[which], subs.noise[which]
    compared = no_comparison(len(values))
    if len(values) > 2:
        compared = kernels_of(subs, values, variances, subs.fwhm_px[which])
    weights = 1 / noise**2
    flags = np.isnan(values).astype(np.uint8)
    rule = night_limits(RULE, len(values)) if weight else RULE
    found = clipped_average(
        values, variances, noise, SKY, rule, weights, flags, GROW_PX, compared=compared
    )
    if weight:
        kept = np.tensordot(weights, (flags == 0).astype(np.float64), axes=1)
        return found, kept.astype(np.float32)
    return Result(found.mean, found.variance, found.count, found.low + found.high)


def night_samples(subs: Subs, fewest: int = ENOUGH_TO_REJECT):
    """Stack the nights; return samples, flags, noise, full weight and widths of stars."""
    planes, facts = [], []
    zero = np.zeros(subs.values.shape[1:], dtype=np.int16)
    for night in np.unique(subs.night):
        of_night = np.flatnonzero(subs.night == night)
        weights = 1 / subs.noise[of_night] ** 2
        if len(of_night) >= fewest:
            which = slice(of_night[0], of_night[-1] + 1)
            found, kept = one_pass(subs, which, weight=True)
            planes.append((found.mean, found.variance, kept, found.count, found.low, found.high))
            width = np.average(subs.fwhm_px[which], weights=weights)
            facts.append((1 / np.sqrt(weights.sum()), weights.sum(), width))
            continue
        for i, weight in zip(of_night.tolist(), weights.tolist(), strict=True):
            known = ~np.isnan(subs.values[i])
            kept = np.full(zero.shape, weight, dtype=np.float32)
            planes.append(
                (subs.values[i], subs.variances[i], kept, known.astype(np.int16), zero, zero)
            )
            facts.append((subs.noise[i], weight, subs.fwhm_px[i]))
    samples = NightSamples(*(np.stack(plane) for plane in zip(*planes, strict=True)))
    flags = np.isnan(samples.values).astype(np.uint8)
    return samples, flags, *(np.array(fact) for fact in zip(*facts, strict=True))


def by_night(subs: Subs, fewest: int = ENOUGH_TO_REJECT, floors: bool = True) -> Result:
    """Stack the nights and merge them."""
    samples, flags, noise, full, fwhm_px = night_samples(subs, fewest)
    if len(flags) == len(subs.night):
        return one_pass(subs)
    compared = kernels_of(subs, samples.values, samples.variances, fwhm_px)
    shape, n = flags.shape[1:], len(flags)
    planes = samples.values, samples.variances, samples.weights
    table = None
    if floors:
        found = measure(n, shape, lambda i, rows: tuple(plane[i, rows] for plane in planes))
        table = found.of_tile((0, shape[0]), (0, shape[1]))
    merged = merge(samples, flags, noise, full, SKY, RULE, compared, table, GROW_PX)
    return Result(merged.mean, merged.variance, merged.count, merged.low + merged.high)


def score(subs: Subs, found: Result) -> dict:
    """Measure a mean against the truth."""
    ny, nx = found.mean.shape
    y, x = np.mgrid[:ny, :nx]
    dark = np.isfinite(found.mean)
    for k in range(subs.x.size):
        radius = 12 if subs.flux[k] < 20_000 else 20
        dark &= np.hypot(y - subs.y[k], x - subs.x[k]) > radius
    total = subs.light.sum(axis=0)
    rest = found.mean - subs.quiet
    free = dark & (total < 0.02 * np.sqrt(found.variance))
    pull = rest / np.sqrt(found.variance)
    result = {
        "noise": float(np.std(rest[free])),
        "pull": float(np.std(pull[free])),
        "bias": float(np.mean(pull[free])),
        "above": int((dark & (pull > 5.5)).sum()),
        "below": int((dark & (pull < -5.5)).sum()),
    }
    left = found.mean - subs.clean
    for kind, plane in zip(KINDS, subs.light, strict=True):
        here = dark & (plane > 0.9 * total) & (plane > 0.02 * np.sqrt(found.variance))
        result[kind] = float(left[here].sum() / max(plane[here].sum(), 1e-30))
        result[f"amount {kind}"] = float(plane[here].sum())
    result["flux"] = fluxes(subs, found.mean)
    return result


def fluxes(subs: Subs, image: np.ndarray, radius: float = 8.0) -> np.ndarray:
    """Light of the stars within a radius over what it is without noise."""
    ny, nx = image.shape
    y, x = np.mgrid[:ny, :nx]
    found = np.full(subs.x.size, np.nan)
    for k in range(subs.x.size):
        inside = np.hypot(y - subs.y[k], x - subs.x[k]) <= radius
        if not np.isfinite(image[inside]).all() or inside.sum() < 3.1 * radius**2:
            continue
        found[k] = (image[inside] - SKY).sum() / (subs.quiet[inside] - SKY).sum()
    return found
