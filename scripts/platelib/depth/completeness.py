"""Completeness at a magnitude, by injecting and recovering artificial stars."""

from dataclasses import dataclass

import numpy as np
import sep
from scipy.spatial import cKDTree

from platelib.sources.aperture_noise import ApertureNoise, blank_places, circle_sums
from platelib.sources.background_subtracted import FieldSky
from platelib.sources.empirical_psf import StarCopies
from platelib.sources.sep_extraction import extracted

STEPS = np.round(np.arange(-1.0, 1.001, 0.125), 3)
"""Flux of the injected stars, in magnitudes fainter than the expected limit."""

_OF_EACH = 60
_SEARCH_SIGMA = 3.0
_CUT_HALF_LIGHTS = 4.5
_WIDTHS = np.round(np.geomspace(0.03, 0.8, 34), 4)
_CENTRES = np.round(np.arange(-1.2, 1.2001, 0.005), 4)


@dataclass(frozen=True)
class Completeness:
    """The share of injected stars that were found again.

    Attributes
    ----------
    step_mag : numpy.ndarray
        ``(n,)`` how much fainter than the expected limit.
    injected, found : numpy.ndarray
        ``(n,)`` int, stars.
    half_mag : float
        Where half of them are found, in the same magnitudes.
    error_mag : float
        Standard error of it.
    """

    step_mag: np.ndarray
    injected: np.ndarray
    found: np.ndarray
    half_mag: float
    error_mag: float


def completeness(
    field: FieldSky,
    stars: StarCopies,
    noise: ApertureNoise,
    flux: float,
    snr: float,
    seed: int,
) -> Completeness:
    """Inject stars around an expected limit into empty sky and recover them.

    The copies are put into cut-outs of the image, which are searched like an image of their own. A
    star is found if the source nearest to its place lies within half a width of it and has, in the
    circle of `noise` about where the search has put it, the signal-to-noise that is asked for.

    Parameters
    ----------
    field : FieldSky
    stars : StarCopies
    noise : ApertureNoise
        Of the circle in which stars are measured.
    flux : float
        Expected limit, all of a star's light in the unit of the image.
    snr : float
        From which on a star counts as found.
    seed : int

    Raises
    ------
    ValueError
        If there is no room for at least five stars of each magnitude.
    """
    whole = stars.stamps.shape[1] // 2
    reach = min(whole, int(np.ceil(_CUT_HALF_LIGHTS * stars.half_light_px)))
    x, y = blank_places(field, reach + 0.5, seed, _OF_EACH * STEPS.size)
    each = min(_OF_EACH, x.size // STEPS.size)
    if each < 5:
        msg = f"there is room for {x.size} injected stars on empty sky, and {5 * STEPS.size} are"
        raise ValueError(f"{msg} needed")
    rng = np.random.default_rng([seed, 1])
    order = rng.permutation(x.size)[: each * STEPS.size]
    x, y = x[order].astype(int), y[order].astype(int)
    fluxes = np.repeat(flux * 10 ** (-0.4 * STEPS), each)
    kinds = rng.integers(0, len(stars.stamps), x.size)
    cut = slice(whole - reach, whole + reach + 1)
    sheet, places = _sheet(field, stars, stars.stamps[:, cut, cut], (x, y, fluxes, kinds))
    seen = _seen(sheet, places, noise, snr, stars.half_light_px)
    found = seen.reshape(STEPS.size, each).sum(axis=1)
    half, error = _half(STEPS, np.full(STEPS.size, each), found)
    return Completeness(STEPS, np.full(STEPS.size, each), found, half, error)


def _sheet(
    field: FieldSky, stars: StarCopies, stamps: np.ndarray, injected: tuple[np.ndarray, ...]
) -> tuple[FieldSky, np.ndarray]:
    """Lay the cut-outs with their stars side by side; return them and where the stars are."""
    side, across = stamps.shape[1], int(np.ceil(np.sqrt(injected[0].size)))
    reach = side // 2
    down = -(-injected[0].size // across)
    image = np.zeros((down * side, across * side), dtype=np.float32)
    noise, missing = np.ones_like(image), np.ones(image.shape, dtype=bool)
    places = np.empty((injected[0].size, 2))
    for k, (x, y, flux, kind) in enumerate(zip(*injected, strict=True)):
        top, left = k // across * side, k % across * side
        here = (slice(top, top + side), slice(left, left + side))
        there = (slice(y - reach, y + reach + 1), slice(x - reach, x + reach + 1))
        image[here] = field.image[there] + np.float32(flux) * stamps[kind]
        noise[here], missing[here] = field.noise[there], field.missing[there]
        places[k] = left + reach + stars.dx[kind], top + reach + stars.dy[kind]
    return FieldSky(image, noise, missing, np.zeros_like(missing)), places


def _seen(
    sheet: FieldSky, places: np.ndarray, noise: ApertureNoise, snr: float, half_light: float
) -> np.ndarray:
    """Return which of the injected stars a search finds with enough signal-to-noise."""
    steps = np.arange(-3, 4)
    width = max(half_light, 0.8) / 1.1774
    kernel = np.exp(-0.5 * (steps[:, None] ** 2 + steps**2) / width**2).astype(np.float32)
    found = extracted(
        sheet.image, sheet.noise, sheet.missing, _SEARCH_SIGMA, 1, kernel,
        noise_factor=max(1.0, noise.factor),
    ).found  # fmt: skip
    # The middle of what stands out is moved by noise beside it; a window about the peak is not.
    x, y, _ = sep.winpos(
        sheet.image, found["xcpeak"].astype(float), found["ycpeak"].astype(float), width
    )
    total, alone = circle_sums(sheet, x, y, noise.radius_px)
    # A place that follows the noise in two directions adds 2 to the square of what is measured.
    strong = total >= np.sqrt(snr**2 + 2.0) * noise.factor * alone
    if not x.size:
        return np.zeros(len(places), dtype=bool)
    away, nearest = cKDTree(np.stack([x, y], axis=1)).query(places)
    return strong[nearest] & (away <= max(half_light, 1.0))


def _half(step: np.ndarray, injected: np.ndarray, found: np.ndarray) -> tuple[float, float]:
    """Fit a falling error function by maximum likelihood; return its middle and its error."""
    from scipy.special import erfc

    arguments = (step - _CENTRES[:, None, None]) / (np.sqrt(2) * _WIDTHS[:, None])
    share = np.clip(0.5 * erfc(arguments), 1e-3, 1 - 1e-3)
    likelihood = (found * np.log(share) + (injected - found) * np.log1p(-share)).sum(axis=-1)
    profile = likelihood.max(axis=1)
    best = int(np.argmax(profile))
    inside = _CENTRES[profile >= profile[best] - 0.5]
    return float(_CENTRES[best]), float(inside[-1] - inside[0]) / 2
