"""Positions of saturated star cores, and their colour in a picture.

A channel that is saturated is too faint against the others, so the core of a star takes a false
colour, and where one channel after the other saturates, rings of false colours. In a picture the
core takes the colours of its rim, stretched over it like a membrane, and turns white towards its
middle, as on film. What is drawn elsewhere does not change, nor do the linear data.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import (
    binary_dilation,
    distance_transform_edt,
    find_objects,
    gaussian_filter,
    label,
)

from platelib.bad_pixels.inpaint import membrane
from platelib.numerics.pieces import pieces_of

FULL = 100
"""Percent of the level of saturation; see `saturation_percent`."""

_CORE_SHARE, _CORE_RIM_PX = 0.8, 2
_TAPER_SHARE = 0.5
_WHITE_FROM, _WHITE_AT = 80.0, 98.0
_LEAST_FRACTION = 0.05
_ROUNDING_PX = 1.0
_RIM_PX = 2.4
_ALL_AROUND = np.ones((3, 3), dtype=bool)


@dataclass(frozen=True)
class Cores:
    """Saturated cores in a picture.

    Attributes
    ----------
    inside : numpy.ndarray
        ``(ny, nx)`` bool.
    whiteness : numpy.ndarray
        ``(ny, nx)`` float32: 0 at the rim of a core and outside, up to 1 in its middle.
    count : int
        How many there are.
    """

    inside: np.ndarray
    whiteness: np.ndarray
    count: int


def saturated_cores(image: np.ndarray, level: float) -> np.ndarray:
    """Find saturated pixels of an integrated channel, and those beside them.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, NaN where there are no data.
    level : float
        Value of a saturated pixel in the sub that saturates first; infinite if none does.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool. Sampling makes the edge of a flat core uneven, and flat fields move its
        level, so they begin at 0.8 of that and take two more pixels on all sides.
    """
    cores = image >= np.float32(_CORE_SHARE * level)
    if not cores.any():
        return cores
    pieces_of(cores).grown_square(_CORE_RIM_PX, cores)
    return cores


def discs(
    shape: tuple[int, int], x: np.ndarray, y: np.ndarray, radius_px: np.ndarray
) -> np.ndarray:
    """Return the pixels within discs.

    Parameters
    ----------
    shape : tuple of int
        ``(ny, nx)``.
    x, y, radius_px : numpy.ndarray
        ``(n,)`` float64: centres and radii, px.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool.
    """
    inside = np.zeros(shape, dtype=bool)
    for column, row, radius in zip(x, y, radius_px, strict=True):
        top, left = (max(0, int(np.floor(place - radius))) for place in (row, column))
        part = inside[top : int(row + radius) + 2, left : int(column + radius) + 2]
        rows, columns = np.ogrid[top : top + part.shape[0], left : left + part.shape[1]]
        part |= np.hypot(columns - column, rows - row) <= radius
    return inside


def saturation_percent(image: np.ndarray, level: float) -> np.ndarray:
    """Return how near the cores of saturated stars are to saturation.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, an integrated channel; NaN for no data.
    level : float
        Value of a saturated pixel in the sub that saturates first; infinite if none does.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` uint8: percent of the level, from 1 to 200, within 2 pixels of what is above
        0.8 of the level, and in what is connected with it and above half of the level: there some
        subs may be saturated. 0 elsewhere.
    """
    percent = np.zeros(image.shape, dtype=np.uint8)
    found = pieces_of(image >= np.float32(_CORE_SHARE * level))
    if not len(found):
        return percent
    cores = np.zeros(image.shape, dtype=bool)
    found.grown(np.full(len(found), _RIM_PX), cores)
    pieces = pieces_of(cores | (image >= np.float32(_TAPER_SHARE * level)))
    for number, window in enumerate(pieces.windows()):
        inside = pieces.drawn(number, window)
        if cores[window][inside].any():
            share = np.nan_to_num(image[window][inside] * np.float32(FULL / level), nan=FULL)
            percent[window][inside] = np.clip(np.rint(share), 1, 2 * FULL)
    return percent


def cores_of(percent: np.ndarray) -> Cores:
    """Find the cores and how white they are to be.

    Parameters
    ----------
    percent : numpy.ndarray
        ``(ny, nx)`` uint8, the highest of `saturation_percent` of all channels of a picture.

    Returns
    -------
    Cores
        Whiteness grows from the rim inwards. It is full in the middle of a core that reaches the
        level of saturation, and less in one that does so in some subs only.
    """
    inside = percent > 0
    whiteness = np.zeros(percent.shape, dtype=np.float32)
    pieces = pieces_of(percent)
    for number, window in enumerate(pieces.windows()):
        core = pieces.drawn(number, window)
        depth = distance_transform_edt(np.pad(core, 1))[1:-1, 1:-1]
        # The smoothing rounds the corners that the pixels of the rim make.
        depth = np.minimum(gaussian_filter(depth, _ROUNDING_PX), depth)
        # A large core is white over most of its area.
        reach = min(depth.max(), 4.0 + 0.5 * depth.max())
        strength = _smooth_step(
            (float(percent[window][core].max()) - _WHITE_FROM) / (_WHITE_AT - _WHITE_FROM)
        )
        white = strength * _smooth_step(depth / reach)
        whiteness[window][core] = white[core].astype(np.float32)
    return Cores(inside, whiteness, len(pieces))


def colours_of_rims(planes: np.ndarray, cores: Cores, skies: Sequence[float]) -> np.ndarray:
    """Return cores in the colours of their rims and the brightness of the least saturated plane.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(3, ny, nx)`` float32, linear, NaN for no data.
    cores : Cores
    skies : sequence of float
        Sky of each plane.

    Returns
    -------
    numpy.ndarray
        ``(3, n)`` float32: the pixels inside the cores, row by row. Cores without a rim that is
        known stay as they are.
    """
    ny, nx = cores.inside.shape
    places = np.flatnonzero(cores.inside)
    result = planes[:, cores.inside]
    pieces = pieces_of(cores.inside)
    base = np.asarray(skies, dtype=np.float64)[:, None, None]
    for number, (rows, columns) in enumerate(pieces.windows()):
        window = np.s_[
            max(0, rows.start - 1) : min(ny, rows.stop + 1),
            max(0, columns.start - 1) : min(nx, columns.stop + 1),
        ]
        core = pieces.drawn(number, window)
        light = np.maximum(planes[:, *window] - base, 0.0)
        total = (light[0] + light[1]) + light[2]
        core &= np.isfinite(total)
        known = ~cores.inside[window] & np.isfinite(total) & (total > 0)
        if not known.any() or not core.any():
            continue
        share = membrane(np.where(known, light / np.where(known, total, 1), 0), known)
        told = share >= _LEAST_FRACTION
        # A saturated plane shows less light than there is, never more.
        estimates = np.where(told, light / np.where(told, share, 1), 0)
        bright = np.maximum(estimates.max(axis=0), total)
        coloured = (share * bright + base).astype(np.float32)
        y, x = np.nonzero(core)
        place = (y + window[0].start) * nx + x + window[1].start
        result[:, np.searchsorted(places, place)] = coloured[:, core]
    return result


def apart_from(cores: Cores, reach_px: float) -> np.ndarray:
    """Return the distance of pixels from cores: 0 inside, smoothly up to 1 from ``reach_px`` on.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` float32.
    """
    near = binary_dilation(cores.inside, _ALL_AROUND, int(np.ceil(reach_px)))
    result = np.ones(cores.inside.shape, dtype=np.float32)
    labels, _ = label(near, _ALL_AROUND)
    for number, window in enumerate(find_objects(labels), start=1):
        part = labels[window] == number
        distance = distance_transform_edt(~cores.inside[window])
        result[window][part] = _smooth_step(distance[part] / reach_px)
    return result


def _smooth_step(value):
    """Return 3 v^2 - 2 v^3 of a value that is held between 0 and 1."""
    held = np.clip(value, 0.0, 1.0)
    return held * held * (3 - 2 * held)
