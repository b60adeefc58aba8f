"""Rejection where seeing changes: the light of stars, and cosmic rays on them and elsewhere.

Raw subs with stars of known places are drawn, laid on a grid by the resampling of the pipeline, and
rejected by two rules: the comparison with the median of the stack, which allows 12 % of the light
above the sky, and the comparison at equal star images.
"""

from dataclasses import dataclass

import numpy as np

from platelib.integration.psf_comparison import Comparison, comparison
from platelib.integration.psf_kernels import fit_kernels
from platelib.integration.psf_partners import stamp_radius, wanted_stars
from platelib.integration.rejection import Rejection, reject
from platelib.integration.rejection_growth import grow
from platelib.integration.weighted_mean import average
from platelib.numerics.transform import Transform, normalisation
from platelib.resampling.resample import Cutout, resample
from platelib.resampling.sharp_pixels import curvature_of_star
from platelib.simulate.psf import add_stars, moffat_image

SHAPE = (460, 560)
MARGIN = 8
SKY, READ_NOISE, FULL = 400.0, 3.3, 60_000.0
SPACING = 52
OFF_STARS, OFF_SIGMAS = 300, 8.0
CLASSES = (25, 60, 150, 400, np.inf)
CASES = (
    # subs, FWHM from and to in px, largest drift in FWHM, seed
    (3, 3.0, 6.0, 0.0, 1),
    (6, 2.4, 4.8, 0.0, 2),
    (9, 2.6, 3.8, 0.3, 3),
    (9, 1.2, 2.0, 0.0, 4),
    (20, 2.0, 4.0, 0.2, 5),
    (40, 2.0, 2.6, 0.0, 6),
)


@dataclass
class Stack:
    """Subs on the grid, without and with cosmic rays, and where stars and rays are."""

    clean: np.ndarray
    hit: np.ndarray
    variance: np.ndarray
    flags: np.ndarray
    fwhm_px: np.ndarray
    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray
    on_cores: list[tuple[int, float, float, int, float]]
    elsewhere: list[tuple[int, float, float]]


def draw(subs: int, sharpest: float, softest: float, drift: float, seed: int) -> Stack:
    """Draw a stack: a ray of 10 sigma on every second star in one sub, fainter ones off stars.

    Fluxes reach from a signal-to-noise of 25 in the mean to just below saturation.
    """
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[34 : SHAPE[0] - 34 : SPACING, 34 : SHAPE[1] - 34 : SPACING].reshape(2, -1)
    x, y = x + rng.uniform(-3, 3, x.size), y + rng.uniform(-3, 3, y.size)
    fwhm = rng.uniform(sharpest, softest, subs)
    fwhm[0], fwhm[-1] = sharpest, softest
    fwhm = rng.permutation(fwhm)
    faintest = 25 / np.sqrt(subs) * np.sqrt(np.pi * (2 * softest) ** 2 * SKY)
    brightest = 0.9 * FULL / moffat_image(sharpest, 3.0).phases.max()
    flux = 10 ** rng.uniform(np.log10(faintest), np.log10(brightest), x.size)
    clean, hit, variance = np.empty((3, subs, *SHAPE), dtype=np.float32)
    flags = np.empty((subs, *SHAPE), dtype=np.uint8)
    owner = rng.integers(subs, size=x.size)
    on_cores, elsewhere = [], []
    centre_x, centre_y, scale = normalisation(SHAPE)
    for i in range(subs):
        shift_x, shift_y = rng.uniform(-4, 4, 2)
        trail = (rng.uniform(0, drift) * fwhm[i], rng.uniform(0, drift) * fwhm[i])
        star = moffat_image(fwhm[i], rng.uniform(2.7, 3.5), trail, radius_px=28)
        light = np.zeros((SHAPE[0] + 2 * MARGIN, SHAPE[1] + 2 * MARGIN), dtype=np.float32)
        add_stars(light, x + MARGIN + shift_x, y + MARGIN + shift_y, flux, star)
        sigma = np.sqrt(light + SKY + READ_NOISE**2)
        raw = rng.poisson(light + SKY) + rng.normal(0, READ_NOISE, light.shape)
        raw = np.minimum(raw, FULL).astype(np.float32)
        struck = raw.copy()
        for k in range(0, x.size, 2):
            if owner[k] == i:
                row = int(np.rint(y[k] + MARGIN + shift_y)) + rng.integers(-1, 2)
                column = int(np.rint(x[k] + MARGIN + shift_x)) + rng.integers(-1, 2)
                struck[row, column] += 10 * sigma[row, column]
                share = 10 * sigma[row, column] / light[row, column]
                place = (row - MARGIN - shift_y, column - MARGIN - shift_x)
                on_cores.append((i, *place, k, share))
        for _ in range(OFF_STARS // subs):
            # Between the rows of stars.
            row = MARGIN + 60 + SPACING * rng.integers(0, 6) + rng.integers(-2, 3)
            column = rng.integers(MARGIN + 6, SHAPE[1] - 6)
            struck[row, column] += OFF_SIGMAS * sigma[row, column]
            elsewhere.append((i, row - MARGIN - shift_y, column - MARGIN - shift_x))
        transform = Transform(
            1,
            centre_x,
            centre_y,
            scale,
            np.array([centre_x + MARGIN + shift_x, scale, 0.0]),
            np.array([centre_y + MARGIN + shift_y, 0.0, scale]),
        )
        curvature = curvature_of_star(fwhm[i])
        for source, out in ((raw, clean[i]), (struck, hit[i])):
            noise = np.maximum(source, 0) + np.float32(READ_NOISE**2)
            none = np.zeros(source.shape, dtype=np.uint8)
            cutout = Cutout(source, noise, none, 0, 0, source.shape, curvature)
            tile = (0, SHAPE[0]), (0, SHAPE[1])
            resample(cutout, transform, *tile, out=(out, variance[i]), missing=flags[i])
    return Stack(clean, hit, variance, flags, fwhm, x, y, flux, on_cores, elsewhere)


def compared(stack: Stack, tolerance: float = 0.02) -> Comparison:
    """Fit the kernels as the integration does."""
    half = stamp_radius(stack.fwhm_px)
    order = np.argsort(-stack.flux, kind="stable")[: wanted_stars(stack.fwhm_px)]
    stamps = []
    for planes, level in ((stack.hit, np.float32(SKY)), (stack.variance, np.float32(0))):
        parts = [_around(planes, stack.x[k], stack.y[k], half)[0] - level for k in order]
        stamps.append(np.stack(parts, axis=1))
    kernels = fit_kernels(stack.fwhm_px, *stamps)
    return comparison(kernels, np.full(len(stack.hit), FULL), tolerance)


def _around(planes: np.ndarray, x: float, y: float, half: int):
    """Cut a square, and return the distances of its pixels from the star too."""
    column, row = int(np.rint(x)), int(np.rint(y))
    part = (..., slice(row - half, row + half + 1), slice(column - half, column + half + 1))
    step = np.arange(-half, half + 1)
    return planes[part], np.hypot(step - (x - column), step[:, None] - (y - row))


def score(stack: Stack, second: Comparison | None, tolerance: float) -> dict[str, float]:
    """Reject, average and measure; percent, but for ``left``: pixels above 5 sigma off stars."""
    subs = len(stack.hit)
    noise = np.full(subs, np.sqrt(SKY + READ_NOISE**2))
    rule = Rejection("noise", 4.0, 4.0, 5, tolerance)
    flags = stack.flags.copy() if second else None
    flags = reject(stack.hit, stack.variance, noise, SKY, rule, flags, second)
    grown = grow(stack.hit, stack.variance, flags, 2, sky=SKY, compared=second)
    weights = np.ones(subs)
    mean = average(stack.hit, stack.variance, weights, grown)
    whole = np.isnan(stack.clean).astype(np.uint8)
    truth = average(stack.clean, stack.variance, weights, whole)
    aperture, core, signal = _light(stack, mean.mean, truth.mean)
    caught = np.array([_is_hit(flags, *place[:3]) for place in stack.on_cores])
    share = np.array([place[4] for place in stack.on_cores])
    stays = np.array([place[3] for place in stack.on_cores])[~caught]
    classes = [(signal >= a) & (signal < b) for a, b in zip(CLASSES, CLASSES[1:], strict=False)]
    classes = [found for found in classes if found.sum() >= 5]
    off = np.ones(SHAPE, dtype=bool)
    for x, y in zip(stack.x.astype(int), stack.y.astype(int), strict=True):
        off[y - 16 : y + 17, x - 16 : x + 17] = False
    high = (mean.mean - truth.mean) > 5 * np.sqrt(truth.variance)
    return {
        "light": max(abs(float(np.mean(aperture[k]))) for k in classes),
        "core": max(abs(float(np.median(core[k]))) for k in classes),
        "on_cores": 100 * float(caught[share > 1 / 3].mean()),
        "elsewhere": 100 * float(np.mean([_is_hit(flags, *p) for p in stack.elsewhere])),
        "stays": float(np.mean(np.abs(aperture[stays]))) if len(stays) else 0.0,
        "left": float((high & off).sum()),
    }


def _light(stack: Stack, image: np.ndarray, truth: np.ndarray):
    """Change of light in an aperture and within 1.5 px, percent; signal-to-noise of each star."""
    radius = 2.2 * float(stack.fwhm_px.mean())
    rows = []
    for x, y in zip(stack.x, stack.y, strict=True):
        found, distance = _around(image, x, y, 24)
        wanted, _ = _around(truth, x, y, 24)
        inside, core = distance <= radius, distance <= 1.5
        light = float((wanted - SKY)[inside].sum())
        change = 100 * float((found - wanted)[inside].sum()) / light
        middle = 100 * float((found - wanted)[core].sum() / (wanted - SKY)[core].sum())
        noise = np.sqrt((light + inside.sum() * (SKY + READ_NOISE**2)) / len(stack.hit))
        rows.append((change, middle, light / noise))
    return np.array(rows).T


def _is_hit(flags: np.ndarray, i: int, y: float, x: float) -> bool:
    row, column = int(np.rint(y)), int(np.rint(x))
    part = flags[i, max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]
    return bool((part > 1).any())


LIMITS = {
    "light": ("light of stars, worst class", 0.3, "%"),
    "core": ("light within 1.5 px, worst class", 1.0, "%"),
    "on_cores": ("rays caught on cores, a third of the light or more", 70.0, "%"),
    "elsewhere": ("rays of 8 sigma caught elsewhere", 99.5, "%"),
    "stays": ("change of stars by rays that stay", 0.2, "%"),
    "left": ("pixels above 5 sigma left elsewhere", 0.0, "px"),
}

AT_LEAST = ("on_cores", "elsewhere")


def rows() -> list[dict]:
    """Return a row for each measure and case, with the older rule beside."""
    table = []
    for subs, sharpest, softest, drift, seed in CASES:
        stack = draw(subs, sharpest, softest, drift, seed)
        before, now = score(stack, None, 0.12), score(stack, compared(stack), 0.02)
        case = f"{subs} subs, FWHM {sharpest:g}-{softest:g} px"
        for name, (what, limit, unit) in LIMITS.items():
            table.append(
                {
                    "what": what,
                    "case": case,
                    "before": before[name],
                    "value": now[name],
                    "limit": limit,
                    "at_least": name in AT_LEAST,
                    "unit": unit,
                }
            )
    return table


if __name__ == "__main__":
    for row in rows():
        print("{case:28} {what:52} {before:8.3f} {value:8.3f} {limit:6.1f} {unit}".format(**row))
