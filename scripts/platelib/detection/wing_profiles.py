"""Radial profiles of bright sources, from the centre far into the wings.

Rings are as wide as the stars of the frame are, so that profiles of frames compare. Medians of
rings leave neighbours and diffraction spikes out.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter, uniform_filter

from platelib.numerics.constants import MEDIAN_ERROR

RING_EDGES = np.array([0.0, 1.0, 1.45, 1.95, 2.6, 3.4, 4.5, 6.0, 8.0])
"""Radii between rings, in units of the measured FWHM."""
RINGS = len(RING_EDGES) - 1

_SKY_RING = (8.0, 11.0)
_LEAST_FWHM_PX = 1.5
_BAND_ROWS = 256
_PEAK_SIGMA = 20.0
_MOST_SOURCES = 600
_APART, _NEAR, _FAR = 1.5, 1.5, 6.0
_CLIP_SHARE = 0.25
_ROUNDS = 4
_LEAST_SHARE = 0.4
_FEWEST_SKY_PX, _FEWEST_OF_QUARTER = 30, 3
_FROM_RING = 2


@dataclass(frozen=True)
class WingProfiles:
    """Surface brightness of sources by ring.

    Attributes
    ----------
    x, y : numpy.ndarray
        ``(n,)`` float64, places in the frame, px.
    light, error : numpy.ndarray
        ``(n, RINGS)`` float64: mean of the innermost ring, medians of the others, above the sky
        around, and their noise. NaN where too little of a ring has data.
    unevenness : numpy.ndarray
        ``(n, RINGS)`` float64: range of the medians of four quarters over that of the ring; 0 where
        a quarter has too few pixels.
    unit_px : float
        Unit of the radii of rings, px.
    """

    x: np.ndarray
    y: np.ndarray
    light: np.ndarray
    error: np.ndarray
    unevenness: np.ndarray
    unit_px: float


def wing_profiles(image: np.ndarray, sky: float, noise: float, fwhm_px: float) -> WingProfiles:
    """Measure the profiles of the brightest sources of a frame.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, NaN for no data.
    sky, noise : float
        Level of the sky and noise of a pixel, unit of the image.
    fwhm_px : float
        Median FWHM of the stars as `platelib.detection.star_finder` measures it.

    Returns
    -------
    WingProfiles
        Of at most 600 sources, those with the brightest 3 x 3 pixels first.
    """
    unit = max(float(fwhm_px), _LEAST_FWHM_PX)
    found: list[tuple[np.ndarray, ...]] = []
    places: list[tuple[float, float]] = []
    for x, y in _peaks(image, sky, noise, unit):
        place = _centred(image, sky, x, y, unit)
        if place is None or _is_near(place, places, _APART * unit):
            continue
        rings = _rings(image, noise, *place, unit)
        if rings is not None:
            places.append(place)
            found.append(rings)
    centres = np.array(places).reshape(-1, 2)
    light, error, unevenness = (
        np.array([rings[k] for rings in found]).reshape(-1, RINGS) for k in range(3)
    )
    return WingProfiles(centres[:, 0], centres[:, 1], light, error, unevenness, unit)


def _peaks(image: np.ndarray, sky: float, noise: float, unit: float) -> list[tuple[int, int]]:
    """Return x and y of the highest means of 3 x 3 pixels, brightest first."""
    ny = image.shape[0]
    size = 2 * round(_APART * unit) + 1
    halo = size // 2 + 1
    heights, rows, columns = [], [], []
    for start in range(0, ny, _BAND_ROWS):
        stop = min(ny, start + _BAND_ROWS)
        first, last = max(0, start - halo), min(ny, stop + halo)
        band = np.nan_to_num(image[first:last].astype(np.float64) - sky)
        smooth = uniform_filter(band, 3, mode="nearest")
        top = (smooth == maximum_filter(smooth, size, mode="nearest")) & (
            smooth > _PEAK_SIGMA * noise
        )
        y, x = np.nonzero(top[start - first : stop - first])
        heights.append(smooth[y + start - first, x])
        rows.append(y + start)
        columns.append(x)
    height, y, x = (np.concatenate(parts) for parts in (heights, rows, columns))
    order = np.argsort(-height, kind="stable")[:_MOST_SOURCES]
    return list(zip(x[order].tolist(), y[order].tolist(), strict=True))


def _centred(
    image: np.ndarray, sky: float, x: float, y: float, unit: float
) -> tuple[float, float] | None:
    """Return the middle of the light of a source, cut off so low that no core counts."""
    for _ in range(_ROUNDS):
        cut, column, row = _window(image, x, y, _FAR * unit)
        light = np.nan_to_num(cut - sky)
        distance = np.hypot(column - x, row - y)
        near = distance <= _NEAR * unit
        if not near.any():
            return None
        level = _CLIP_SHARE * float(np.median(light[near]))
        over = (light > level) & (distance <= _FAR * unit)
        reach = max(_NEAR * unit, 1.3 * np.sqrt(over.sum() / np.pi))
        weight = np.clip(light, 0, level) * (over & (distance <= reach))
        total = weight.sum()
        if not total > 0:
            return None
        x, y = float((weight * column).sum() / total), float((weight * row).sum() / total)
    return x, y


def _window(
    image: np.ndarray, x: float, y: float, reach: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the pixels around a position as float64, and their columns and rows."""
    half, column, row = int(np.ceil(reach)) + 1, round(x), round(y)
    ny, nx = image.shape
    top, left = max(0, row - half), max(0, column - half)
    cut = image[top : min(ny, row + half + 1), left : min(nx, column + half + 1)]
    rows, columns = np.ogrid[top : top + cut.shape[0], left : left + cut.shape[1]]
    return cut.astype(np.float64), columns, rows


def _is_near(place: tuple[float, float], places: list[tuple[float, float]], px: float) -> bool:
    if not places:
        return False
    others = np.array(places)
    return bool((np.hypot(others[:, 0] - place[0], others[:, 1] - place[1]) < px).any())


def _rings(
    image: np.ndarray, noise: float, x: float, y: float, unit: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Return light, error and unevenness of the rings of a source; None without sky around it."""
    cut, column, row = _window(image, x, y, _SKY_RING[1] * unit)
    distance = np.hypot(column - x, row - y) / unit
    known = np.isfinite(cut)
    around = cut[known & (distance >= _SKY_RING[0]) & (distance < _SKY_RING[1])]
    if around.size < _FEWEST_SKY_PX:
        return None
    sky = float(np.median(around))
    sky_error = MEDIAN_ERROR * noise / np.sqrt(around.size)
    quarter = 2 * (column + 0 * row > x) + (row + 0 * column > y)
    light, error, unevenness = np.full(RINGS, np.nan), np.full(RINGS, np.nan), np.zeros(RINGS)
    for ring in range(RINGS):
        inner, outer = RING_EDGES[ring], RING_EDGES[ring + 1]
        inside = known & (distance >= inner) & (distance < outer)
        values = cut[inside] - sky
        if values.size < _LEAST_SHARE * np.pi * (outer**2 - inner**2) * unit**2:
            continue
        light[ring] = values.mean() if ring == 0 else np.median(values)
        error[ring] = MEDIAN_ERROR * noise / np.sqrt(values.size) + sky_error
        if ring >= _FROM_RING and light[ring] > 0:
            parts = [values[quarter[inside] == k] for k in range(4)]
            medians = [np.median(part) for part in parts if part.size >= _FEWEST_OF_QUARTER]
            unevenness[ring] = np.ptp(medians) / light[ring] if len(medians) > 1 else 0.0
    return light, error, unevenness
