"""Brightness and noise of the empty sky, over the same pixels in every plane.

The picture is cut into small cells. A cell is sky if its mean lies within the narrow peak of
cell means in every plane; a cell next to a bright one is not. Means of cells show faint haloes
that single pixels hide in their noise.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_dilation

from platelib.colour.sky_cells import CELL_PX, cell_means, pixels_of_cells
from platelib.numerics.constants import MAD_TO_SIGMA
from platelib.numerics.half_sample_mode import half_sample_mode
from platelib.numerics.medians import mad_sigma, median_of

_MOST_PIXELS = 1 << 22
_FAINT_SIGMA, _DARK_SIGMA, _BRIGHT_SIGMA = 2.0, 4.0, 5.0
_LIGHT_SIGMA = 5.0
_MAX_ROUNDS = 30
_MIN_CELLS = 12


@dataclass(frozen=True)
class Sky:
    """The empty sky of one plane, in the plane's unit.

    Attributes
    ----------
    level : float
        Median brightness.
    noise : float
        Standard deviation of a pixel about its neighbourhood.
    scatter : float
        Standard deviation of a pixel about `level`: noise, and what is left of gradients.
    """

    level: float
    noise: float
    scatter: float


def measure_sky(planes: np.ndarray) -> tuple[tuple[Sky, ...], float]:
    """Measure the sky of each plane.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, NaN where there are no data.

    Returns
    -------
    skies : tuple of Sky
        One a plane.
    share : float
        Fraction of the picture that served as sky.

    Raises
    ------
    ValueError
        If no cell of the picture has data in every plane.
    """
    _check_size(planes)
    means = np.stack([cell_means(plane) for plane in planes])
    sky = _sky_cells(means)
    rows, columns = np.nonzero(sky)
    # Of a large picture only every nth cell is looked at, which is more than enough for a median.
    some = slice(None, None, -(-rows.size * CELL_PX**2 // _MOST_PIXELS))
    rows, columns = rows[some], columns[some]
    skies = []
    for plane, mean in zip(planes, means, strict=True):
        pixels = pixels_of_cells(plane, rows, columns)
        level = median_of(pixels)
        scatter = _spread(pixels, level)
        pixels -= mean[rows, columns].astype(np.float32)[:, None]
        noise = _spread(pixels, 0.0) * np.sqrt(CELL_PX**2 / (CELL_PX**2 - 1))
        skies.append(Sky(level, float(noise), scatter))
    return tuple(skies), float(sky.mean())


def levels_of_light(planes: np.ndarray) -> np.ndarray:
    """Return ``(n,)`` levels, 5 sigma above the sky, from which on a plane shows light.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, NaN where there are no data.
    """
    skies, _ = measure_sky(planes)
    return np.array([sky.level + _LIGHT_SIGMA * sky.scatter for sky in skies])


def _check_size(planes: np.ndarray) -> None:
    ny, nx = planes.shape[1:]
    if min(ny, nx) < CELL_PX:
        msg = f"a picture of {nx} x {ny} pixels is too small for colours"
        raise ValueError(msg)


def _sky_cells(means: np.ndarray) -> np.ndarray:
    complete = np.isfinite(means).all(axis=0)
    if not complete.any():
        msg = "no part of the picture has data in every colour"
        raise ValueError(msg)
    sky, bright = complete.copy(), np.zeros_like(complete)
    for mean in means:
        centre, sigma = _peak(mean[complete])
        inside = (mean <= centre + _FAINT_SIGMA * sigma) & (mean >= centre - _DARK_SIGMA * sigma)
        sky &= inside
        bright |= mean > centre + _BRIGHT_SIGMA * sigma
    lonely = sky & ~binary_dilation(bright, np.ones((3, 3), dtype=bool))
    for choice in (lonely, sky):
        if choice.sum() >= _MIN_CELLS:
            return choice
    return complete


def _peak(values: np.ndarray) -> tuple[float, float]:
    """Find centre and width of the peak of the sky, which has light on one side only.

    The search starts at the mode, since light may cover more than half of the picture. The
    width is taken from the dark half, where nothing but noise is found.
    """
    centre = half_sample_mode(values)
    # Medians of ranges of sorted values are looked up, so a round costs next to nothing.
    ordered = np.sort(values)
    kept, sigma = (0, 0), 0.0
    for _ in range(_MAX_ROUNDS):
        low = centre - _DARK_SIGMA * sigma if sigma else -np.inf
        first, after = _range(ordered, low, centre)
        sigma = MAD_TO_SIGMA * (centre - _middle(ordered, first, after))
        low, high = centre - _DARK_SIGMA * sigma, centre + _FAINT_SIGMA * sigma
        before = kept
        kept = _range(ordered, low, high)
        if before == kept:
            break
        centre = _middle(ordered, *kept)
    return centre, sigma


def _range(ordered: np.ndarray, low: float, high: float) -> tuple[int, int]:
    """Return the first of sorted values within limits, and the one after the last."""
    return int(np.searchsorted(ordered, low)), int(np.searchsorted(ordered, high, "right"))


def _middle(ordered: np.ndarray, first: int, after: int) -> float:
    """Return the median of a range of sorted values."""
    return float(ordered[(first + after - 1) // 2] + ordered[(first + after) // 2]) / 2


def _spread(values: np.ndarray, centre: float) -> float:
    return mad_sigma(values, np.float32(centre))
