"""The source mask: blocks above the sky at some scale, with their wings.

A star stands out of a single block, the halo of a galaxy only of the mean over many. So the image
is averaged in squares of growing size; blocks masked at one size are excluded
at the next.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import (
    binary_dilation,
    distance_transform_edt,
    find_objects,
    label,
    maximum_filter,
    uniform_filter,
)

from platelib.background.block_average import Blocks
from platelib.numerics.half_sample_mode import half_sample_mode
from platelib.numerics.medians import mad_sigma

_LARGEST_SHARE = 4
_LEAST_KNOWN = 0.2
_SKIRT = 0.3
_LEAST_SKIRT = 1.5
_LARGE_RADIUS = 8
_RING = 0.12
_RINGS, _RINGS_BEYOND = 5, 4
_HALO_SIGMA = 2.5
_SAMPLE = 4000


@dataclass(frozen=True)
class Light:
    """The source mask.

    Attributes
    ----------
    mask : numpy.ndarray
        ``(my, mx)`` bool, of blocks.
    noise_factor : float
        Scatter of single sky blocks divided by their propagated noise.
    """

    mask: np.ndarray
    noise_factor: float


def find_light(blocks: Blocks, surface: np.ndarray, threshold_sigma: float) -> Light:
    """Find light above a surface of the sky.

    Parameters
    ----------
    blocks : Blocks
    surface : numpy.ndarray
        ``(my, mx)`` float64: the sky in the middle of each block.
    threshold_sigma : float
        Means above this many sigma are sources. Sigma is the scatter of values below the peak of
        the distribution, which sources do not affect, and at least the propagated noise.

    Returns
    -------
    Light
    """
    known = blocks.known
    excess = np.where(known, blocks.mean - surface, 0.0)
    variance = np.where(np.isfinite(blocks.variance) & known, blocks.variance, 0.0)
    found = np.zeros_like(known)
    factor = 1.0
    for side in _sides(known.shape):
        significance, judged = _means(excess, variance, known & ~found, side)
        centre, sigma = _below_peak(significance[judged])
        if side == 1:
            factor = max(sigma, 1e-3)
        limit = max(centre, 0.0) + threshold_sigma * max(sigma, factor)
        bright = judged & (significance > limit)
        found |= _with_skirts(maximum_filter(bright, side))
    return Light(_with_haloes(found, excess, factor**2 * variance, known), factor)


def _sides(shape: tuple[int, int]) -> list[int]:
    """Sides of the squares, blocks: 1, 3, 7, 15 ... up to an eighth of the image."""
    sides = [1]
    while 2 * sides[-1] + 1 <= min(shape) / _LARGEST_SHARE:
        sides.append(2 * sides[-1] + 1)
    return sides


def _means(
    excess: np.ndarray, variance: np.ndarray, used: np.ndarray, side: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return means over squares in units of their sigma, and the squares with enough data."""
    total, spread, share = (
        uniform_filter(np.where(used, plane, 0.0), side, mode="constant")
        for plane in (excess, variance, np.ones_like(excess))
    )
    judged = used & (share > _LEAST_KNOWN) & (spread > 0)
    sigma = np.sqrt(np.where(judged, spread, 1.0)) / side
    return np.where(judged, total, 0.0) / sigma, judged


def _below_peak(values: np.ndarray) -> tuple[float, float]:
    """Return the peak of a distribution and the spread of the values below it."""
    if not len(values):
        return 0.0, 1.0
    centre = half_sample_mode_of_many(values)
    return centre, mad_sigma(values[values <= centre], centre)


def half_sample_mode_of_many(values: np.ndarray) -> float:
    """Peak of a distribution: the mean of the means of its densest half, of quantiles."""
    ordered = np.sort(values)
    step = max(1, len(ordered) // _SAMPLE)
    return half_sample_mode(ordered[step // 2 :: step])


def _with_skirts(bright: np.ndarray) -> np.ndarray:
    """Add a margin to each piece that grows with its size: light fades and does not end."""
    pieces, _ = label(bright, structure=np.ones((3, 3)))
    result = np.asarray(binary_dilation(bright, np.ones((3, 3), dtype=bool)))
    radii = _SKIRT * np.sqrt(np.bincount(pieces.ravel()) / np.pi)
    for number, window in enumerate(find_objects(pieces), start=1):
        radius = radii[number]
        if radius <= _LEAST_SKIRT:
            continue  # it has got the blocks beside it
        reach = int(radius) + 1
        around = tuple(slice(max(0, part.start - reach), part.stop + reach) for part in window)
        result[around] |= distance_transform_edt(pieces[around] != number) <= radius
    return result


def _with_haloes(
    light: np.ndarray, excess: np.ndarray, variance: np.ndarray, known: np.ndarray
) -> np.ndarray:
    """Grow large pieces ring by ring while a ring is brighter than the next one outside.

    The mean over a ring has a noise that no square comes near to, so it shows the last of a halo.
    """
    result = light.copy()
    pieces, _ = label(light, structure=np.ones((3, 3)))
    radii = np.sqrt(np.bincount(pieces.ravel()) / np.pi)
    windows = find_objects(pieces)
    for number in np.argsort(-radii[1:], kind="stable") + 1:
        if radii[number] < _LARGE_RADIUS:
            break
        step = _RING * radii[number]
        margin = int((_RINGS + _RINGS_BEYOND) * step) + 1
        around = tuple(
            slice(max(0, part.start - margin), part.stop + margin) for part in windows[number - 1]
        )
        distance = distance_transform_edt(pieces[around] != number)
        sky = known[around] & ~result[around]
        reach = _halo_reach(distance, step, sky, excess[around], variance[around])
        result[around] |= distance <= reach
    return result


def _halo_reach(
    distance: np.ndarray, step: float, sky: np.ndarray, excess: np.ndarray, variance: np.ndarray
) -> float:
    """Return the radius of a halo: the last ring brighter than the rings beyond it."""
    last = _RINGS + _RINGS_BEYOND
    rings = np.minimum((distance[sky] / step).astype(np.int64), last)
    count = np.bincount(rings, minlength=last + 1)
    total = np.bincount(rings, excess[sky], minlength=last + 1)
    spread = np.bincount(rings, variance[sky], minlength=last + 1)
    reach = 0
    for ring in range(_RINGS):
        here, beyond = int(count[ring]), int(count[ring + 1 :].sum())
        if not here or not beyond:
            continue
        difference = total[ring] / here - total[ring + 1 :].sum() / beyond
        noise = spread[ring] / here**2 + spread[ring + 1 :].sum() / beyond**2
        if difference <= _HALO_SIGMA * np.sqrt(noise):
            break
        reach = ring + 1
    return reach * step
