"""Noise of sums over many pixels, measured in circles on the empty sky.

Resampling makes neighbouring pixels alike, and a sky is never quite flat: what a circle of pixels
scatters by cannot be told from single pixels. So circles are laid on sky that shows nothing.
"""

from dataclasses import dataclass

import numpy as np
import sep

from platelib.numerics.medians import mad_sigma
from platelib.sources.background_subtracted import FieldSky

FEWEST = 30
_MOST = 4000
_FINE = 16


@dataclass(frozen=True)
class ApertureNoise:
    """Noise of the sum in a circle.

    Attributes
    ----------
    radius_px : float
    sigma : float
        Standard deviation of the sum, in the unit of the image, where coverage is usual.
    factor : float
        Ratio of that noise to the noise of independent pixels.
    count : int
        Circles measured.
    """

    radius_px: float
    sigma: float
    factor: float
    count: int


def blank_places(
    field: FieldSky, radius_px: float, seed: int, most: int = _MOST
) -> tuple[np.ndarray, np.ndarray]:
    """Choose positions of non-overlapping circles on empty sky.

    Parameters
    ----------
    field : FieldSky
    radius_px : float
    seed : int
        Draws places from cells of a lattice.
    most : int
        At most so many are returned.

    Returns
    -------
    x, y : numpy.ndarray
        ``(n,)`` float64, whole pixels, in the order of rows.
    """
    step = int(np.ceil(2 * radius_px + 1))
    rng = np.random.default_rng([seed, step])
    top, left = (int(value) for value in rng.integers(0, step, 2))
    surrounded = _surrounded(field.blank, radius_px + 1, (top, left), step)
    free = np.flatnonzero(surrounded)
    if free.size > most:
        free = np.sort(rng.permutation(free)[:most])
    row, column = np.unravel_index(free, surrounded.shape)
    return (left + step * column).astype(float), (top + step * row).astype(float)


def _surrounded(
    blank: np.ndarray, reach_px: float, first: tuple[int, int], step: int
) -> np.ndarray:
    """Return the lattice positions whose pixels within a distance are all blank.

    A distance map would give the same result for every pixel, but take far longer.
    """
    (ny, nx), (top, left), rim = blank.shape, first, int(reach_px)
    # Beyond the edge nothing is blank.
    padded = np.pad(blank, rim)
    result = blank[top::step, left::step].copy()
    for dy in range(-rim, rim + 1):
        for dx in range(-rim, rim + 1):
            if np.sqrt(dx**2 + dy**2) <= reach_px:
                y, x = rim + dy, rim + dx
                result &= padded[y + top : y + ny : step, x + left : x + nx : step]
    return result


def aperture_noise(field: FieldSky, radius_px: float, seed: int) -> ApertureNoise:
    """Measure the noise of sums in circles of a radius.

    Parameters
    ----------
    field : FieldSky
    radius_px : float
    seed : int

    Raises
    ------
    ValueError
        If there is not enough empty sky.
    """
    x, y = blank_places(field, radius_px, seed)
    if x.size < FEWEST:
        msg = (
            f"only {x.size} circles of radius {radius_px:.1f} px find room on empty sky and "
            f"{FEWEST} are needed to measure its noise"
        )
        raise ValueError(msg)
    total, alone = circle_sums(field, x, y, radius_px)
    ratio = total / alone
    factor = mad_sigma(ratio)
    return ApertureNoise(radius_px, factor * float(np.median(alone)), factor, x.size)


def circle_sums(
    field: FieldSky, x: np.ndarray, y: np.ndarray, radius_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Sum an image in circles, with the noise of the sums for independent pixels.

    Returns
    -------
    total, noise : numpy.ndarray
        ``(n,)`` float64; circles are cut exactly at their edge.
    """
    total, noise, _ = sep.sum_circle(field.image, x, y, radius_px, err=field.noise, subpix=0)
    return total, noise * _cut_share(radius_px)


def _cut_share(radius_px: float) -> float:
    """Return how much less noisy a sum is whose outer pixels count in part: sqrt(sum a^2 / sum a).

    `sep` adds variances by area, but a pixel of which half counts adds a quarter of its variance.
    """
    reach = int(np.ceil(radius_px)) + 1
    fine = (np.arange((2 * reach + 1) * _FINE) + 0.5) / _FINE - reach - 0.5
    inside = np.hypot(fine, fine[:, None]) <= radius_px
    size = 2 * reach + 1
    area = inside.reshape(size, _FINE, size, _FINE).mean(axis=(1, 3))
    return float(np.sqrt((area**2).sum() / area.sum()))
