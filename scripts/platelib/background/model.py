"""The sky model of an integrated channel: a smooth surface through robust medians of cells.

Source mask and surface are found by iteration: sources stand above the surface, and the cells
between them give the surface. Stars, galaxies and their haloes are masked in the cells, so the
surface passes below them.
"""

from dataclasses import dataclass

import numpy as np

from platelib.background.block_average import BLOCK_PX, Blocks
from platelib.background.chebyshev_surface import CellLevels, fit_chebyshev
from platelib.background.sky_cells import above_surface, cell_levels
from platelib.background.source_mask import find_light, half_sample_mode_of_many
from platelib.background.surface import Lattice, SkySurface, constant_surface
from platelib.background.thin_plate import fit_thin_plate
from platelib.numerics.constants import MEDIAN_ERROR
from platelib.numerics.medians import mad_sigma

_CELLS_ALONG = 24
_LEAST_CELL = 6
_CELLS_PER_TERM = 4
_ROUNDS = 12
_FITS = 8
_OUTLIER_SIGMA = 4.0
_STILL = 0.1


@dataclass(frozen=True)
class SkyModel:
    """A surface of the sky and the cells behind it.

    Attributes
    ----------
    surface : SkySurface
    cells : CellLevels
        Cells of sky.
    counted : numpy.ndarray
        ``(n,)`` bool: cells that were not outliers.
    light : numpy.ndarray
        ``(my, mx)`` bool: blocks of 4 x 4 pixels covered by sources.
    degree : int
        Of the Chebyshev surface; what it was for the last mask where the surface is another.
    scatter : float
        Spread of the cells about the surface in units of their own errors.
    note : str
        Deviations from the settings, with reasons.
    """

    surface: SkySurface
    cells: CellLevels
    counted: np.ndarray
    light: np.ndarray
    degree: int
    scatter: float
    note: str = ""


def model_sky(
    blocks: Blocks,
    kind: str = "chebyshev",
    degree: int = 2,
    threshold_sigma: float = 3.0,
) -> SkyModel:
    """Model the sky of an image.

    Parameters
    ----------
    blocks : Blocks
        Means of blocks of its pixels.
    kind : str
        ``chebyshev``, ``thin_plate``, or ``none``: cells are measured, and the surface is their
        median.
    degree : int
        Of the Chebyshev surface. With fewer than four cells of sky a term it is lowered.
    threshold_sigma : float
        See `platelib.background.source_mask.find_light`.

    Raises
    ------
    ValueError
        If no cell of the image has enough pixels with data.
    """
    lattice = Lattice(blocks.shape, BLOCK_PX * _cell_side(blocks.mean.shape))
    light = np.zeros_like(blocks.known)
    cells = cell_levels(blocks, light, constant_surface(lattice, 0.0), blocks.mean)
    if not len(cells):
        msg = "no part of the image has enough data to measure its sky"
        raise ValueError(msg)
    # The first surface, a plane, gives bright cells low weight.
    first = min(degree, 1)
    counted = _faint(cells, lattice, _degree_for(len(cells), first))
    surface = _surface(cells, lattice, _degree_for(len(cells), first), counted)
    for _ in range(_ROUNDS):
        excess = above_surface(blocks, surface)
        light = find_light(blocks, excess, threshold_sigma).mask
        cells, crowded = _cells_of_sky(blocks, light, surface, excess)
        used = _degree_for(len(cells), degree)
        before = surface
        surface, counted = _robust(cells, lattice, used)
        moved = np.abs(surface.values - before.values)[2:-2, 2:-2]
        if moved.max() < _STILL * np.median(cells.error):
            break
    notes = [crowded] if crowded else []
    if used < degree and kind == "chebyshev":
        notes.append(f"degree {used} instead of {degree}: {len(cells)} cells of sky")
    spread = _spread_of(cells, surface, counted)
    if kind == "thin_plate" and len(cells) >= _CELLS_PER_TERM * 3:
        surface = fit_thin_plate(cells, lattice, counted.astype(np.float64), used)
        spread = _spread_of(cells, surface, counted)
    elif kind == "none":
        surface = _flat(cells, lattice)
    return SkyModel(surface, cells, counted, light, used, spread, "; ".join(notes))


def _cell_side(shape: tuple[int, int]) -> int:
    """Side of a cell in blocks: about 24 cells along the longer side of the image."""
    return max(_LEAST_CELL, round(max(shape) / _CELLS_ALONG))


def _degree_for(cells: int, wanted: int) -> int:
    """Return the highest degree up to the requested one for which there are enough cells."""
    degree = wanted
    while degree > 0 and cells < _CELLS_PER_TERM * (degree + 1) * (degree + 2) / 2:
        degree -= 1
    return degree


def _cells_of_sky(
    blocks: Blocks, light: np.ndarray, surface: SkySurface, excess: np.ndarray
) -> tuple[CellLevels, str]:
    """Return the source-free cells; if sources cover nearly everything, the darkest cells."""
    cells = cell_levels(blocks, light, surface, excess)
    if len(cells) >= _CELLS_PER_TERM:
        return cells, ""
    cells = cell_levels(blocks, np.zeros_like(light), surface, excess)
    dark = cells.level <= np.quantile(cells.level, 0.25)
    return cells.chosen(dark), "too little sky without sources; its darkest quarter was used"


def _surface(cells: CellLevels, lattice: Lattice, degree: int, counted: np.ndarray) -> SkySurface:
    if degree == 0 or counted.sum() < 3:
        return _flat(cells.chosen(counted) if counted.any() else cells, lattice)
    return fit_chebyshev(cells, lattice, degree, counted.astype(np.float64))


def _flat(cells: CellLevels, lattice: Lattice) -> SkySurface:
    """Surface of the median level of the cells."""
    level = float(np.median(cells.level))
    spread = mad_sigma(cells.level, level)
    error = MEDIAN_ERROR * max(spread, float(np.median(cells.error))) / np.sqrt(len(cells))
    return constant_surface(lattice, float(f"{level:.9g}"), float(f"{error:.4g}"))


def _faint(cells: CellLevels, lattice: Lattice, degree: int) -> np.ndarray:
    """Return which cells are not brighter than most about a first surface."""
    counted = cells.level <= _upper(cells.level, 2.0)
    for _ in range(_FITS):
        surface = _surface(cells, lattice, degree, counted)
        rest = cells.level - surface.at(cells.x, cells.y)
        before, counted = counted, rest <= _upper(rest, 2.0)
        if np.array_equal(before, counted):
            break
    return counted


def _upper(values: np.ndarray, sigmas: float) -> float:
    """Peak of values, and so many times the spread of what lies below it on top."""
    peak = half_sample_mode_of_many(values)
    return peak + sigmas * mad_sigma(values[values <= peak], peak)


def _robust(cells: CellLevels, lattice: Lattice, degree: int) -> tuple[SkySurface, np.ndarray]:
    """Fit a surface without cells that lie far from it."""
    counted = np.ones(len(cells), dtype=bool)
    surface = _surface(cells, lattice, degree, counted)
    for _ in range(_FITS):
        pulls = (cells.level - surface.at(cells.x, cells.y)) / cells.error
        spread = max(1.0, mad_sigma(pulls))
        keep = np.abs(pulls) <= _OUTLIER_SIGMA * spread
        if np.array_equal(keep, counted) or keep.sum() < _CELLS_PER_TERM:
            break
        counted = keep
        surface = _surface(cells, lattice, degree, counted)
    return surface, counted


def _spread_of(cells: CellLevels, surface: SkySurface, counted: np.ndarray) -> float:
    pulls = ((cells.level - surface.at(cells.x, cells.y)) / cells.error)[counted]
    return mad_sigma(pulls)
