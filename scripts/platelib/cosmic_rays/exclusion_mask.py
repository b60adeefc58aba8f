"""The exclusion mask for cosmic rays: bad pixels, saturated cores, edges, stars."""

import numpy as np

from platelib.cosmic_rays.separable_median import median_of_7
from platelib.detection.star_table import FLAG_SHAPE
from platelib.numerics.kernels import allocating_kernel, kernel
from platelib.numerics.mask_bits import BAD, SATURATED
from platelib.numerics.workspace import Room

_EDGE_PX = 5
"""Nearer to the edge the fine structure, a median of medians, is not known."""
_CORE_FWHM = 0.7
"""Radius round a star. From 0.6 on, close pairs of drawn stars are spared; more hides tracks."""
_MEDIAN_REACH, _GROWTH = 3, 4


def shielded(mask: np.ndarray, stars: np.ndarray) -> np.ndarray:
    """Mark edges of the frame and cores of stars as bad, so that they are not searched.

    The rule spares single stars that the pixels resolve. It eats the flanks of two that stand close
    together, stars at the edge, and some cores where the noise is not known well.

    Parameters
    ----------
    mask : numpy.ndarray
        ``(ny, nx)`` uint8: 1 bad, 2 saturated.
    stars : numpy.ndarray
        Stars of the sub, of dtype ``STAR``. Those whose shape is unlike the others' may be tracks
        and count for nothing.

    Returns
    -------
    numpy.ndarray
        A copy of ``mask`` with bit 1 set along the edges and round each star.
    """
    shield = mask | np.uint8(BAD)
    inner = np.s_[_EDGE_PX:-_EDGE_PX, _EDGE_PX:-_EDGE_PX]
    shield[inner] = mask[inner]
    sure = stars[stars["flags"] & FLAG_SHAPE == 0]
    if len(sure):
        x, y = np.ascontiguousarray(sure["x"]), np.ascontiguousarray(sure["y"])
        _shield_discs(x, y, _CORE_FWHM * float(np.median(sure["fwhm"])), shield)
    return shield


@kernel
def _shield_discs(x, y, radius, shield):
    ny, nx = shield.shape
    for k in range(x.size):
        for v in range(max(0, int(y[k] - radius)), min(ny, int(y[k] + radius) + 2)):
            for u in range(max(0, int(x[k] - radius)), min(nx, int(x[k] + radius) + 2)):
                if (v - y[k]) ** 2 + (u - x[k]) ** 2 <= radius * radius:
                    shield[v, u] |= BAD


def not_judged(
    image: np.ndarray, mask: np.ndarray, saturation: float, room: Room | None = None
) -> np.ndarray:
    """Find the pixels on which the rule is silent.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32.
    mask : numpy.ndarray
        ``(ny, nx)`` uint8: 1 bad, 2 saturated.
    saturation : float
        Value of a saturated pixel.
    room : Room, optional
        Memory of the result, which is valid until it is used again.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` uint8: 1 at bad pixels and their neighbours, and round the cores of saturated
        stars: saturated pixels where the median of the surroundings is above a tenth of
        saturation, too. What is on the edge of the frame does not grow.
    """
    silent = (room or Room()).plane("silent", image.shape, np.uint8)
    _grow_square(mask, silent)
    cores, once = np.zeros((2, *image.shape), dtype=np.uint8)  # most pages are never touched
    some = np.zeros(image.shape[0], dtype=np.uint8)
    if _saturated_cores(image, mask, np.float32(saturation) / np.float32(10), cores, some):
        _grow_round(cores, some, once)
        _grow_round(once, some, cores)
        rows = np.flatnonzero(some)
        silent[rows] |= cores[rows]
    return silent


@allocating_kernel
def _grow_square(mask, grown):
    """Grow the bad pixels by one in all directions."""
    ny, nx = mask.shape
    column = np.empty(nx, dtype=np.uint8)
    bad = np.uint8(BAD)
    for y in range(ny):
        here, target = mask[y], grown[y]
        for x in range(nx):
            target[x] = here[x] & bad
        if 0 < y < ny - 1:
            above, below, inner = mask[y - 1], mask[y + 1], target[1:]
            for x in range(nx):
                column[x] = (above[x] | here[x] | below[x]) & bad
            for x in range(nx - 2):
                inner[x] = column[x] | column[x + 1] | column[x + 2]


@allocating_kernel
def _grow_round(mask, some, grown):
    """Grow by two pixels in all directions but the diagonals, in some rows; others are empty."""
    ny, nx = mask.shape
    near, far = np.empty(nx, dtype=np.uint8), np.empty(nx, dtype=np.uint8)
    for y in range(ny):
        if not some[y]:
            continue
        here, target = mask[y], grown[y]
        for x in range(nx):
            target[x] = here[x]
        if 1 < y < ny - 2:
            above, below, inner = mask[y - 1], mask[y + 1], target[2:]
            for x in range(nx):
                near[x] = above[x] | here[x] | below[x]
            above, below = mask[y - 2], mask[y + 2]
            for x in range(nx):
                far[x] = above[x] | near[x] | below[x]
            for x in range(nx - 4):
                inner[x] = near[x] | far[x + 1] | far[x + 2] | far[x + 3] | near[x + 4]


@allocating_kernel
def _saturated_cores(image, mask, limit, cores, some):
    """Mark saturated pixels with a bright surrounding, and rows within their growth; count them."""
    ny, nx = image.shape
    reach = _MEDIAN_REACH
    column = np.empty(7, dtype=np.float32)
    count = 0
    for y in range(ny):
        line = mask[y]
        flags = np.uint8(0)
        for x in range(nx):
            flags |= line[x]
        if flags & SATURATED == 0:
            continue
        for x in range(nx):
            if line[x] & SATURATED == 0:
                continue
            level = image[y, x]
            if reach <= y < ny - reach and reach <= x < nx - reach:
                for k in range(7):
                    s = image[y + k - reach, x - reach :]
                    column[k] = median_of_7(s[0], s[1], s[2], s[3], s[4], s[5], s[6])
                s = column
                level = median_of_7(s[0], s[1], s[2], s[3], s[4], s[5], s[6])
            if level > limit:
                cores[y, x] = 1
                some[max(0, y - _GROWTH) : y + _GROWTH + 1] = 1
                count += 1
    return count


def warm_up() -> None:
    """Compile the kernels of this module."""
    from platelib.detection.star_table import STAR

    stars = np.ones(1, dtype=STAR)
    mask = np.full((12, 14), SATURATED, dtype=np.uint8)
    image = np.ones(mask.shape, dtype=np.float32)
    not_judged(image, shielded(mask, stars), 1.0)
