"""The source mask: blocks above the sky at some scale, with their wings.

A star stands out of a single block, the halo of a galaxy only of the mean over many. So the image
is averaged in squares of growing size; blocks masked at one size are excluded
at the next.
"""

from dataclasses import dataclass

import numpy as np

from platelib.background.block_average import Blocks
from platelib.background.halo_rings import set_within, squared_distances, sum_rings
from platelib.background.squares import significance_of_blocks, significance_of_squares
from platelib.numerics.constants import MAD_TO_SIGMA
from platelib.numerics.half_sample_mode import half_sample_mode
from platelib.numerics.kernels import read_only
from platelib.numerics.pieces import Pieces, pieces_of

_LARGEST_SHARE = 4
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


def find_light(blocks: Blocks, excess: np.ndarray, threshold_sigma: float) -> Light:
    """Find light above a surface of the sky.

    Parameters
    ----------
    blocks : Blocks
    excess : numpy.ndarray
        ``(my, mx)`` float64: the blocks minus the sky in their middles; 0 where there are no data.
    threshold_sigma : float
        Means above this many sigma are sources. Sigma is the scatter of values below the peak of
        the distribution, which sources do not affect, and at least the propagated noise.

    Returns
    -------
    Light
    """
    known = blocks.known
    found = np.zeros_like(known)
    significance = np.empty(known.shape)
    variance = np.where(np.isfinite(blocks.variance), blocks.variance, 0.0)
    planes = read_only(excess), read_only(variance)
    factor = 1.0
    for side in _sides(known.shape):
        used = read_only((known & ~found).view(np.uint8))
        if side == 1:
            significance_of_blocks(*planes, used, significance)
        else:
            significance_of_squares(*planes, used, side, significance)
        centre, sigma = _below_peak(significance)
        if side == 1:
            factor = max(sigma, 1e-3)
        limit = max(centre, 0.0) + threshold_sigma * max(sigma, factor)
        _add_bright(pieces_of(significance > limit), side, found)
    _add_haloes(found, known, planes, factor)
    return Light(found, factor)


def _sides(shape: tuple[int, int]) -> list[int]:
    """Sides of the squares, blocks: 1, 3, 7, 15 ... up to an eighth of the image."""
    sides = [1]
    while 2 * sides[-1] + 1 <= min(shape) / _LARGEST_SHARE:
        sides.append(2 * sides[-1] + 1)
    return sides


def _below_peak(values: np.ndarray) -> tuple[float, float]:
    """Return the peak of the values that are not NaN, and the spread of those below it."""
    ordered = np.sort(values, axis=None)
    ordered = ordered[: np.searchsorted(ordered, np.nan)]
    if not len(ordered):
        return 0.0, 1.0
    centre = _mode_of_sorted(ordered)
    count = int(np.searchsorted(ordered, centre, side="right"))
    deviations = centre - ordered[[(count - 1) // 2, count // 2]]
    return centre, MAD_TO_SIGMA * float(deviations.sum() / 2)


def half_sample_mode_of_many(values: np.ndarray) -> float:
    """Peak of a distribution: the mean of the means of its densest half, of quantiles."""
    return _mode_of_sorted(np.sort(values))


def _mode_of_sorted(ordered: np.ndarray) -> float:
    step = max(1, len(ordered) // _SAMPLE)
    return half_sample_mode(ordered[step // 2 :: step])


def _add_bright(bright: Pieces, side: int, found: np.ndarray) -> None:
    """Add bright squares, with a margin that grows with their size: light fades and does not end.

    Parameters
    ----------
    bright : Pieces
        The middles of the squares.
    side : int
    found : numpy.ndarray
        ``(my, mx)`` bool, added to.
    """
    pieces = bright
    if side > 1:
        squares = np.zeros_like(found)
        bright.grown_square(side // 2, squares)
        pieces = pieces_of(squares)
    radii = _SKIRT * np.sqrt(pieces.areas / np.pi)
    pieces.grown_square(1, found)
    pieces.grown(np.where(radii > _LEAST_SKIRT, radii, -1.0), found)


def _add_haloes(
    found: np.ndarray, known: np.ndarray, planes: tuple[np.ndarray, np.ndarray], factor: float
) -> None:
    """Grow large pieces ring by ring while a ring is brighter than the next one outside.

    The mean over a ring has a noise that no square comes near to, so it shows the last of a halo.
    """
    pieces = pieces_of(found)
    radii = np.sqrt(pieces.areas / np.pi)
    for number in np.argsort(-radii, kind="stable"):
        if radii[number] < _LARGE_RADIUS:
            break
        step = _RING * radii[number]
        margin = int((_RINGS + _RINGS_BEYOND) * step) + 1
        top, bottom, left, right = pieces.boxes[number].tolist()
        window = (
            slice(max(0, top - margin), min(found.shape[0], bottom + margin)),
            slice(max(0, left - margin), min(found.shape[1], right + margin)),
        )
        piece = pieces.drawn(number, window).view(np.uint8)
        squared = np.empty(piece.shape, dtype=np.int32)
        squared_distances(read_only(piece), squared)
        corner = window[0].start, window[1].start
        count = np.zeros(_RINGS + _RINGS_BEYOND + 1, dtype=np.int64)
        sums = np.zeros((2, count.size))
        masks = read_only(known.view(np.uint8)), read_only(found.view(np.uint8))
        sum_rings(read_only(squared), step, corner, *planes, *masks, count, sums)
        reach = step * _rings_of_halo(count, sums[0], factor**2 * sums[1])
        set_within(read_only(squared), reach, corner, found.view(np.uint8))


def _rings_of_halo(count: np.ndarray, total: np.ndarray, spread: np.ndarray) -> int:
    """Return the number of rings of a halo: the last one is brighter than the rings beyond it."""
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
    return reach
