"""Images of saturated stars on a single frame: cores, bleed trails and diffraction spikes.

Their edges are as sharp as tracks of particles: a flat core ends within a pixel, charge that bleeds
along a column is a pixel or two wide, and so is a spike far out. What tells a saturated star from
a particle that saturates pixels is the light all around; what tells its spikes and trails is that
they are connected with it.
"""

from collections.abc import Iterator

import numpy as np
from scipy.ndimage import distance_transform_edt, gaussian_filter, label

from platelib.numerics.mask_bits import SATURATED
from platelib.numerics.pieces import pieces_of

_ALL_AROUND = np.ones((3, 3), dtype=bool)
_RING_PX = (1.2, 2.6)
_RING_SIGMA = 5.0
_BEYOND_PX, _BEYOND_DEPTHS, _MOST_BEYOND_PX = 30, 20, 400
_APART_PX = 4.0
_BLOCK_PX = 12
_SMOOTH_PX = 1.0
_SMOOTH_SIGMA = 4.0
_SMOOTH_NOISE = 1 / (2 * np.sqrt(np.pi) * _SMOOTH_PX)
"""Noise of white noise after the smoothing."""
_BORDER_PX = 2


def saturated_star_images(image: np.ndarray, variance: np.ndarray, mask: np.ndarray) -> np.ndarray:
    """Find the pixels that show saturated stars, with their trails and spikes.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32, a calibrated frame with its sky or without, finite.
    mask : numpy.ndarray
        ``(ny, nx)`` uint8: 1 bad, 2 saturated.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool: groups of saturated pixels with light all around them; what stands 4
        sigma above the medians of blocks of 12 pixels, smoothed by a Gaussian of 1 pixel, and is
        connected with them; and two pixels more. Particles that saturate pixels are not among them,
        nor is the smooth light farther out.
    """
    found = np.zeros(image.shape, dtype=bool)
    full = mask & np.uint8(SATURATED) > 0
    pieces = pieces_of(full)
    for number, box in enumerate(pieces.windows()):
        core = np.pad(pieces.drawn(number, box), 1)
        depth = distance_transform_edt(core)
        row, column = np.unravel_index(int(np.argmax(depth)), depth.shape)
        middle = (box[0].start + int(row) - 1, box[1].start + int(column) - 1)
        deepest = float(depth.max())
        if not _has_light_around(image, variance, full, middle, deepest):
            continue
        for window in _windows(box, deepest, image.shape):
            core = pieces.drawn(number, window)
            part = _connected(image[window], variance[window], core)
            if not _touches_edge(part, window, image.shape):
                break
        found[window] |= part
    pieces_of(found).grown_square(_BORDER_PX, found)
    return found


def _has_light_around(image, variance, full, middle: tuple[int, int], depth: float) -> bool:
    """Return whether the thickest part of a group has light on all sides.

    A track crosses a ring in two places, so three quarters of it show the sky.
    """
    inner = depth + _RING_PX[1] + _APART_PX
    outer = 2 * depth + _RING_PX[1] + 3 * _APART_PX
    reach = int(np.ceil(outer))
    window = tuple(
        slice(max(0, place - reach), min(size, place + reach + 1))
        for place, size in zip(middle, image.shape, strict=True)
    )
    y, x = np.ogrid[window]
    distance = np.hypot(y - middle[0], x - middle[1])
    near = (distance > depth + _RING_PX[0] - 1) & (distance <= depth + _RING_PX[1])
    ring = near & ~full[window]
    around = (distance > inner) & (distance <= outer)
    if not ring.any() or not around.any():
        return True  # saturated as far as the frame goes
    level = float(np.median(image[window][around]))
    noise = float(np.sqrt(np.median(variance[window][around])))
    return bool(np.quantile(image[window][ring], 0.25) > level + _RING_SIGMA * noise)


def _windows(box, depth: float, shape: tuple[int, int]) -> Iterator[tuple[slice, slice]]:
    """Yield windows about a group, each wider than the one before."""
    beyond = _BEYOND_PX + _BEYOND_DEPTHS * depth
    while True:
        reach = int(min(beyond, _MOST_BEYOND_PX))
        rows, columns = (
            slice(max(0, side.start - reach), min(size, side.stop + reach))
            for side, size in zip(box, shape, strict=True)
        )
        yield rows, columns
        if beyond >= _MOST_BEYOND_PX:
            return
        beyond *= 2


def _connected(image: np.ndarray, variance: np.ndarray, core: np.ndarray) -> np.ndarray:
    """Return the pixels above their surroundings that are connected to a core."""
    smooth = gaussian_filter(image.astype(np.float64), _SMOOTH_PX)
    noise = np.sqrt(variance) * _SMOOTH_NOISE
    bright = core | (smooth - _surroundings(image) > _SMOOTH_SIGMA * noise)
    labels, count = label(bright, _ALL_AROUND)
    belongs = np.zeros(count + 1, dtype=bool)
    belongs[labels[core]] = True
    belongs[0] = False
    return np.asarray(belongs[labels])


def _surroundings(image: np.ndarray) -> np.ndarray:
    """Return the medians of blocks, with straight lines between their middles."""
    sides = [size // _BLOCK_PX for size in image.shape]
    if min(sides) < 1:
        return np.full(image.shape, np.median(image))
    even = image[: sides[0] * _BLOCK_PX, : sides[1] * _BLOCK_PX]
    blocks = even.reshape(sides[0], _BLOCK_PX, sides[1], _BLOCK_PX)
    medians = np.median(blocks.transpose(0, 2, 1, 3).reshape(*sides, -1), axis=2)
    first = (_BLOCK_PX - 1) / 2
    places = [np.arange(n) * _BLOCK_PX + first for n in sides]
    rows = np.array([np.interp(np.arange(image.shape[1]), places[1], line) for line in medians])
    return np.array([np.interp(np.arange(image.shape[0]), places[0], line) for line in rows.T]).T


def _touches_edge(part: np.ndarray, window: tuple[slice, slice], shape: tuple[int, int]) -> bool:
    """Return whether a part ends at an edge of the window inside the frame."""
    rows, columns = window
    return bool(
        (rows.start > 0 and part[0].any())
        or (rows.stop < shape[0] and part[-1].any())
        or (columns.start > 0 and part[:, 0].any())
        or (columns.stop < shape[1] and part[:, -1].any())
    )
