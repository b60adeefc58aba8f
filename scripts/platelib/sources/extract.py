"""Detect, measure and classify the stars and galaxies of an image."""

from dataclasses import dataclass

import numpy as np
import sep
from scipy.spatial import cKDTree

from platelib.background.masked_mesh import masked_sky
from platelib.numerics.constants import MAG_ERROR
from platelib.sources.aperture_noise import aperture_noise
from platelib.sources.background_subtracted import FieldSky, likeness
from platelib.sources.empirical_psf import StarCopies, copy_stars
from platelib.sources.morphology import (
    WIDE,
    concentrations,
    extended,
    flat_topped,
    star_locus,
)
from platelib.sources.sep_extraction import extracted
from platelib.sources.wide_sources import BRIGHT, measure_wide

COLUMNS = {
    "x": "x on the grid, 0-based, px",
    "y": "y on the grid, 0-based, px",
    "flux": "light, unit of the channel",
    "flux_error": "standard error of flux",
    "snr": "light over its error, of the middle or of the whole, whichever stands out more",
    "half_light_px": "radius that holds half of the light, px",
    "major_px": "semi-major axis of the isophote, px",
    "minor_px": "semi-minor axis of the isophote, px",
    "angle_deg": "of the major axis, from +x to +y, degrees",
    "excess_sigma": "how much wider than a star at its place, sigma",
    "extended": "whether it is wider than a star",
    "saturated": "whether its top is flat",
    "inside": "number of the larger source that it lies in, -1 for none",
}

_SIGMA, _AREA = 3.0, 3
_FINE_CELL_FWHM = 8.0
_SAME_PX = 1.0
_PAIR = 1.5
_SEED = 20


@dataclass(frozen=True)
class FieldSources:
    """The sources of an image.

    Attributes
    ----------
    table : dict of str to numpy.ndarray
        Columns of ``COLUMNS``, a row a source, brightest first.
    stars : StarCopies
        Bright single stars.
    remark : str
        A sentence where the image was too crowded for the usual search, else empty.
    """

    table: dict[str, np.ndarray]
    stars: StarCopies
    remark: str = ""


def find_sources(field: FieldSky) -> FieldSources:
    """Find and measure the sources of an image.

    Small sources are found on an image from which all that is wider than some stars has been taken
    off, so that those upon a galaxy are found too. Wide ones are found on the image itself; what
    lies inside of one keeps a note of that.

    Parameters
    ----------
    field : FieldSky
        With the sky in cells that are larger than the largest galaxy, if possible.

    Raises
    ------
    ValueError
        If there are not enough bright stars to say what a star looks like.
    """
    stars = copy_stars(field)
    fine = _without_wide_light(field, stars)
    x, y, searched = _places(fine, field, stars)
    factor = aperture_noise(field, 1.5 * stars.half_light_px, _SEED).factor
    shape = concentrations(fine, field.noise, x, y, stars.half_light_px, factor)
    flux, error = _star_light(fine, field, x, y, stars, factor)
    saturated = flat_topped(field, x, y)
    alone = (flux > BRIGHT * error) & ~saturated & _apart(x, y, 4 * stars.half_light_px)
    locus, scatter = star_locus(x, y, shape.value, shape.error, alone, field.image.shape)
    doubt = _neighbours_light(x, y, flux, stars)
    wide, excess = extended(shape, locus, np.hypot(scatter, doubt))
    # Two stars so near each other are one wide source, and neither can be judged.
    wide &= ~saturated & _apart(x, y, _PAIR * stars.half_light_px)
    table = {
        "x": x,
        "y": y,
        "flux": flux,
        "flux_error": error,
        "snr": flux / error,
        "half_light_px": np.full(x.size, stars.half_light_px),
        "major_px": np.full(x.size, stars.half_light_px),
        "minor_px": np.full(x.size, stars.half_light_px),
        "angle_deg": np.zeros(x.size),
        "excess_sigma": excess,
        "extended": wide,
        "saturated": saturated,
        "inside": np.full(x.size, -1),
    }
    _measure_small(table, fine, field, stars, factor)
    del fine
    measure_wide(table, field, stars, factor)
    return FieldSources(_in_order(table), stars, " ".join(filter(None, (field.remark, searched))))


def no_sources() -> dict[str, np.ndarray]:
    """Return the table of an image without any detection."""
    kinds = {"extended": bool, "saturated": bool, "inside": np.int32}
    return {name: np.zeros(0, dtype=kinds.get(name, np.float64)) for name in COLUMNS}


def _without_wide_light(field: FieldSky, stars: StarCopies) -> np.ndarray:
    """Subtract light smooth over several FWHM: haloes, arms, discs."""
    cell = max(12, int(round(_FINE_CELL_FWHM * 2 * stars.half_light_px)))
    fine = field.image.copy()
    masked_sky(fine, field.missing, cell).subfrom(fine)
    np.copyto(fine, np.float32(0), where=field.missing)
    return fine


def _places(
    fine: np.ndarray, field: FieldSky, stars: StarCopies
) -> tuple[np.ndarray, np.ndarray, str]:
    """Find peaks and centre a window on each; coinciding positions count once.

    What is said of the search comes third.
    """
    alike = float(likeness(fine, field.noise, field.missing))
    extraction = extracted(
        fine, field.noise, field.missing, _SIGMA, _AREA,
        noise_factor=alike, deblend_nthresh=64, deblend_cont=1e-5,
    )  # fmt: skip
    found = extraction.found
    x, y, _ = sep.winpos(
        fine,
        found["xcpeak"].astype(float),
        found["ycpeak"].astype(float),
        stars.half_light_px / 1.1774,
        subpix=0,
    )
    x, y = np.round(x, 4), np.round(y, 4)
    ny, nx = fine.shape
    lost = np.hypot(x - found["xcpeak"], y - found["ycpeak"]) > stars.half_light_px
    x, y = np.where(lost, found["xcpeak"], x), np.where(lost, found["ycpeak"], y)
    kept = _of_their_own(x, y, found["cpeak"])
    kept &= (x >= 0) & (y >= 0) & (x <= nx - 1) & (y <= ny - 1)
    remark = ""
    if extraction.sigma > _SIGMA:
        remark = (
            f"The field is crowded: the detection limit is {extraction.sigma:.3g} "
            f"sigma of the sky, not {_SIGMA:g}."
        )
    return x[kept].astype(float), y[kept].astype(float), remark


def _of_their_own(x: np.ndarray, y: np.ndarray, peak: np.ndarray) -> np.ndarray:
    """Return which positions are at least a pixel from every brighter kept one."""
    place = np.empty(x.size, dtype=int)
    place[np.argsort(-peak, kind="stable")] = np.arange(x.size)
    pairs = cKDTree(np.stack([x, y], axis=1)).query_pairs(_SAME_PX, output_type="ndarray")
    first = place[pairs[:, 0]] < place[pairs[:, 1]]
    brighter, fainter = np.where(first, pairs.T, pairs.T[::-1])
    kept = np.ones(x.size, dtype=bool)
    for k in np.argsort(place[brighter], kind="stable"):
        kept[fainter[k]] &= not kept[brighter[k]]
    return kept


def _star_light(
    fine: np.ndarray,
    field: FieldSky,
    x: np.ndarray,
    y: np.ndarray,
    stars: StarCopies,
    factor: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Light of sources as if they were stars: a small circle, scaled to all of a star's light."""
    radius = 1.25 * stars.half_light_px
    share = stars.share(radius)
    total, error, _ = sep.sum_circle(fine, x, y, radius, err=field.noise, subpix=0)
    return total / share, factor * error / share


def _neighbours_light(
    x: np.ndarray, y: np.ndarray, flux: np.ndarray, stars: StarCopies
) -> np.ndarray:
    """Return the possible effect of neighbours on the concentration of a source, magnitudes.

    Light of stars beside it, as their profile has it, that falls under the wide Gaussian; most of
    it is taken away by symmetry, so that what is left is at most the order of it.
    """
    radii = np.arange(0.5, stars.radius_px, 0.5)
    shares = np.array([stars.share(float(radius)) for radius in radii])
    density = np.diff(shares) / (np.pi * np.diff(radii**2))
    middle = 0.5 * (radii[1:] + radii[:-1])
    light = np.zeros(x.size)
    pairs = cKDTree(np.stack([x, y], axis=1)).query_pairs(stars.radius_px, output_type="ndarray")
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    distance = np.hypot(*(v[pairs[:, 0]] - v[pairs[:, 1]] for v in (x, y)))
    falling = np.interp(distance, middle, np.maximum(density, 0.0))
    area = 2 * np.pi * (WIDE * stars.half_light_px) ** 2
    for one, other in ((0, 1), (1, 0)):
        np.add.at(light, pairs[:, one], flux[pairs[:, other]] * falling * area)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(flux > 0, np.maximum(light, 0.0) / flux, 0.0)
    return MAG_ERROR * share


def _apart(x: np.ndarray, y: np.ndarray, reach: float) -> np.ndarray:
    """Return which sources have no other within a distance."""
    if x.size < 2:
        return np.ones(x.size, dtype=bool)
    distance, _ = cKDTree(np.stack([x, y], axis=1)).query(np.stack([x, y], axis=1), k=2)
    return distance[:, 1] > reach


def _measure_small(
    table: dict[str, np.ndarray],
    fine: np.ndarray,
    field: FieldSky,
    stars: StarCopies,
    factor: float,
) -> None:
    """Fill light and size of extended sources that are not wide, in a circle of all star light."""
    rows = np.flatnonzero(table["extended"])
    if not rows.size:
        return
    x, y = table["x"][rows], table["y"][rows]
    radius = stars.radius_px
    half, _ = sep.flux_radius(fine, x, y, np.full(rows.size, radius), 0.5, subpix=5)
    total, error, _ = sep.sum_circle(fine, x, y, radius, err=field.noise, subpix=0)
    good = (total > 0) & np.isfinite(half) & (half > 0)
    rows = rows[good]
    table["flux"][rows], table["flux_error"][rows] = total[good], factor * error[good]
    for name in ("half_light_px", "major_px", "minor_px"):
        table[name][rows] = half[good]


def _in_order(table: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Sort by flux, renumber `inside`, and round far below the errors."""
    order = np.lexsort((table["x"], table["y"], -np.round(table["flux"], 9)))
    place = np.empty(order.size, dtype=int)
    place[order] = np.arange(order.size)
    # Of a wide source the middle may stand out more than the whole.
    table["snr"] = np.maximum(table["snr"], table["flux"] / table["flux_error"])
    result = {name: table[name][order] for name in COLUMNS}
    inside = result["inside"]
    result["inside"] = np.where(inside >= 0, place[inside], -1).astype(np.int32)
    for name in ("flux", "flux_error", "snr"):
        result[name] = np.array([float(f"{value:.6g}") for value in result[name].tolist()])
    for name in ("half_light_px", "major_px", "minor_px", "angle_deg", "excess_sigma"):
        result[name] = np.round(result[name], 3)
    return result
