"""Saturated cores of calibrated frames, which keep no pile-up, and the tables that list them.

Measures list the cores of each sub, registrations and channels those on the grid.
"""

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from astropy.io import fits

from platefiles.fits.products_io import has_image
from platefiles.fits.tables import columns_hdu, read_columns
from platefiles.raw_frames.raw_frame import RawImage
from platelib.calibration.saturation_level import NO_CORES, Brightest, LostCores
from platelib.detection.star_table import FLAG_SATURATED
from platelib.numerics.neighbours import close_pairs
from platelib.numerics.transform import Transform

EXTENSION = "SATCORES"
_COLUMNS = {
    "x": "x on the grid, 0-based, px",
    "y": "y on the grid, 0-based, px",
    "radius_px": "radius of the saturated core, px of the grid",
    "subs": "number of subs with this saturated core",
}
_OF_SUB = ("x", "y", "radius_px")
_LEAST_SHARE = 0.25
_CONTRADICTED_BY = 1.25


def stated_level(image: RawImage, pixels: Brightest) -> float:
    """Return the saturation level from ``SATURATE`` of a calibrated frame.

    Parameters
    ----------
    image : RawImage
    pixels : Brightest
        The brightest pixels of the frame.

    Returns
    -------
    float
        Unit of the frame; NaN if the card has no number, the level is not above the sky, or pixels
        exceed it by more than 25 %. Such an excess is larger than the overshoot of resampling, so
        the level belongs to the frame before calibration.
    """
    cards = {card.keyword: card.value for card in image.header.cards if card.keyword == "SATURATE"}
    value = cards.get("SATURATE")
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return math.nan
    light = value - pixels.sky
    exceeded = pixels.top > 0 and pixels.top - pixels.sky > _CONTRADICTED_BY * light
    return float(value) if light > 0 and not exceeded else math.nan


def cores_of_frame(image: RawImage, row: Mapping[str, float]) -> LostCores:
    """Find the saturated cores of a calibrated frame by the profiles of its stars.

    Parameters
    ----------
    image : RawImage
    row : mapping
        Its ``sky``, ``noise`` and ``fwhm_px``, in values of the frame.
    """
    from platelib.detection.lost_cores import (
        find_lost_cores,  # loads scipy, which raw frames do without
    )

    if not row["fwhm_px"] > 0:
        return NO_CORES
    return find_lost_cores(image.data(), row["sky"], row["noise"], row["fwhm_px"])


def flag_stars(stars: np.ndarray, cores: LostCores) -> None:
    """Flag the stars that lie in saturated cores, in place; ``stars`` are of dtype ``STAR``."""
    if len(cores) and len(stars):
        centres, places = (np.stack([own["x"], own["y"]], axis=1) for own in (stars, vars(cores)))
        near, core = close_pairs(centres, places, float(cores.radius_px.max()))
        distance = np.hypot(*(centres[near] - places[core]).T)
        stars["flags"][near[distance <= cores.radius_px[core]]] |= FLAG_SATURATED


def cores_of_subs_hdu(cores: Sequence[LostCores]) -> fits.BinTableHDU:
    """Return the table of the cores of the subs of a night, with the number of the sub."""
    columns = {name: np.concatenate([getattr(own, name) for own in cores]) for name in _OF_SUB}
    numbers = np.repeat(np.arange(len(cores), dtype=np.int32), [len(own) for own in cores])
    return columns_hdu({"sub": numbers} | columns, EXTENSION)


def on_grid(cores: LostCores, transform: Transform) -> LostCores:
    """Return the cores of a sub on the grid, by its transform from the grid."""
    x, y = transform.inverse(cores.x, cores.y)
    return LostCores(x, y, cores.radius_px / transform.magnification)


def common_cores(subs: Sequence[LostCores]) -> dict[str, np.ndarray]:
    """Combine the saturated cores of the used subs.

    Parameters
    ----------
    subs : sequence of LostCores
        Cores of each sub on the grid.

    Returns
    -------
    dict of str to numpy.ndarray
        Columns ``x``, ``y``, ``radius_px`` and ``subs``: cores found in at least a quarter of the
        subs, with the largest radius.
    """
    x: list[float] = []
    y: list[float] = []
    radius: list[float] = []
    count: list[int] = []
    for cores in subs:
        for px, py, pr in zip(cores.x, cores.y, cores.radius_px, strict=True):
            distance = np.hypot(np.array(x) - px, np.array(y) - py)
            near = int(np.argmin(distance)) if distance.size else -1
            if near >= 0 and distance[near] < max(pr, radius[near]):
                count[near] += 1
                radius[near] = max(radius[near], pr)
                continue
            for values, value in ((x, px), (y, py), (radius, pr)):
                values.append(float(value))
            count.append(1)
    kept = np.array(count, dtype=np.int32) >= _LEAST_SHARE * len(subs)
    return {
        "x": np.round(np.array(x, dtype=np.float64)[kept], 2),
        "y": np.round(np.array(y, dtype=np.float64)[kept], 2),
        "radius_px": np.round(np.array(radius, dtype=np.float64)[kept], 2),
        "subs": np.array(count, dtype=np.int32)[kept],
    }


def read_cores_of_subs(path: str | Path, count: int) -> list[LostCores]:
    """Read the cores of the subs of a night from its registration, for so many subs."""
    columns = read_columns(path, EXTENSION)
    return [
        LostCores(*(columns[name][columns["sub"] == number] for name in _OF_SUB))
        for number in range(count)
    ]


def cores_hdu(columns: dict[str, np.ndarray]) -> fits.BinTableHDU:
    """Return the table of the cores on the grid."""
    return columns_hdu(columns, EXTENSION, _COLUMNS)


def read_cores(path: str | Path) -> dict[str, np.ndarray]:
    """Read the cores of a registration or a channel; empty columns without the table."""
    if has_image(path, EXTENSION):
        return read_columns(path, EXTENSION)
    return {name: np.empty(0) for name in _COLUMNS}


def core_discs(path: str | Path, shape: tuple[int, int]) -> np.ndarray:
    """Return ``(ny, nx)`` bool: the pixels inside the cores of a channel's table."""
    from platelib.colour.star_cores import discs  # loads scipy

    cores = read_cores(path)
    return discs(shape, cores["x"], cores["y"], cores["radius_px"])
