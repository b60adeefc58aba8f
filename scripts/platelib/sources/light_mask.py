"""The light mask of an image: pixels of stars and galaxies, and those beside them.

The mask needs no list of sources, so that nothing is labelled or deblended: groups of bright pixels
that are too small are deleted, and the others are grown by a disc.
"""

import numpy as np

from platelib.numerics.kernels import kernel, read_only

_MOST_PIXELS = 16
_BLOCK = 64


def bright_pixels(
    image: np.ndarray,
    sky: np.ndarray,
    noise: np.ndarray,
    missing: np.ndarray,
    limit: float,
    least_pixels: int,
) -> np.ndarray:
    """Return the pixels of groups that stand out of the sky.

    Parameters
    ----------
    image, noise : numpy.ndarray
        ``(ny, nx)`` float32, finite.
    sky : numpy.ndarray
        ``(my, mx)`` float32; each value holds for a square of pixels, of 1 px or more.
    missing : numpy.ndarray
        ``(ny, nx)`` bool, no data.
    limit : float
        In units of the noise, for the image smoothed by the 3 x 3 px kernel of
        `platelib.sources.sep_extraction.SMOOTHING`.
    least_pixels : int
        Smaller groups of pixels above the limit, diagonals included, do not count; at most 16.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool.
    """
    ny, nx = image.shape
    side = max(-(-ny // sky.shape[0]), -(-nx // sky.shape[1]))
    bright = np.empty((ny, nx), dtype=np.uint8)
    lines = np.zeros((5, nx + 2), dtype=np.float32)
    planes = (read_only(plane) for plane in (image, sky, noise, missing.view(np.uint8)))
    _mark_bright(*planes, side, np.float32(16 * limit), lines, bright)
    _drop_small(bright, least_pixels, np.empty((2, _MOST_PIXELS), dtype=np.int64))
    return bright.view(bool)


def grown(bright: np.ndarray, radius_px: int) -> np.ndarray:
    """Add the pixels within a distance of bright ones; half a pixel more than ``radius_px``.

    Parameters
    ----------
    bright : numpy.ndarray
        ``(ny, nx)`` bool.
    radius_px : int

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool.
    """
    result = np.zeros(bright.shape, dtype=np.uint8)
    rows = np.arange(-radius_px, radius_px + 1)
    reach = np.minimum(np.sqrt((radius_px + 0.5) ** 2 - rows**2).astype(np.int64), radius_px)
    _grow(read_only(bright.view(np.uint8)), read_only(reach), result)
    return result.view(bool)


def smoothed_sample(
    image: np.ndarray,
    sky: np.ndarray | None,
    noise: np.ndarray,
    missing: np.ndarray,
    step: int,
) -> np.ndarray:
    """Smooth an image in units of its noise, and return every ``step``-th pixel with data.

    Parameters
    ----------
    image, sky, noise, missing : numpy.ndarray
        See `bright_pixels`; without a sky, nothing is subtracted.
    step : int

    Returns
    -------
    numpy.ndarray
        ``(n,)`` float32, in the order of rows.
    """
    ny, nx = image.shape
    sky = np.zeros((1, 1), dtype=np.float32) if sky is None else sky
    side = max(-(-ny // sky.shape[0]), -(-nx // sky.shape[1]))
    values = np.empty(-(-image.size // step), dtype=np.float32)
    planes = (read_only(plane) for plane in (image, sky, noise, missing.view(np.uint8)))
    return values[: _sample(*planes, side, step, values)]


@kernel
def _sample(image, sky, noise, missing, side, step, values):
    """Put the smoothed ratio of every `step`-th pixel with data down; return their number."""
    nx = image.shape[1]
    count, wait = 0, 0
    for y in range(image.shape[0]):
        gone = 0
        for x in range(nx):
            gone += missing[y, x]
        x = 0
        while x < nx:
            if gone == 0:
                x += wait
                wait = 0
                if x >= nx:
                    wait = x - nx
                    break
            if missing[y, x] == 0:
                if wait == 0:
                    values[count] = _smooth_ratio(image, sky, noise, missing, side, y, x)
                    count += 1
                    wait = step
                wait -= 1
            x += 1
    return count


@kernel
def _smooth_ratio(image, sky, noise, missing, side, y, x):
    """Smoothed ratio at a pixel; beyond the edge the image goes on as at the edge."""
    ny, nx = image.shape
    total = 0.0
    for dy in range(-1, 2):
        v = min(max(y + dy, 0), ny - 1)
        for dx in range(-1, 2):
            u = min(max(x + dx, 0), nx - 1)
            if not missing[v, u]:
                ratio = (image[v, u] - sky[v // side, u // side]) / noise[v, u]
                total += (2 - abs(dy)) * (2 - abs(dx)) * ratio
    return np.float32(total / 16)


@kernel
def _mark_bright(image, sky, noise, missing, side, limit, lines, bright):
    """Mark pixels above a limit; ``lines``: sky, ratio, and three rows smoothed along x."""
    ny, nx = image.shape
    level, ratio = lines[0], lines[1]
    smooth = lines[2:]
    for y in range(ny + 1):
        here = smooth[y % 3]
        if y < ny:
            if y % side == 0:
                _spread(sky[y // side], side, level[:nx])
            _ratios(image[y], level[:nx], noise[y], missing[y], ratio[1 : nx + 1])
            _smooth(ratio, here)
        else:
            here[:] = np.float32(0)
        if y > 0:
            _compare(
                smooth[(y - 2) % 3], smooth[(y - 1) % 3], here, missing[y - 1], limit, bright[y - 1]
            )


@kernel
def _spread(values, side, line):
    for x in range(line.size):
        line[x] = values[x // side]


@kernel
def _ratios(image, level, noise, missing, ratio):
    for x in range(ratio.size):
        value = (image[x] - level[x]) / noise[x]
        ratio[x] = np.float32(0) if missing[x] else value


@kernel
def _smooth(ratio, smooth):
    for x in range(ratio.size - 2):
        smooth[x] = ratio[x] + np.float32(2) * ratio[x + 1] + ratio[x + 2]


@kernel
def _compare(above, here, below, missing, limit, bright):
    for x in range(bright.size):
        total = above[x] + np.float32(2) * here[x] + below[x]
        bright[x] = (total > limit) & (missing[x] == 0)


@kernel
def _drop_small(bright, least, places):
    """Delete groups of fewer than ``least`` pixels; ``places``: rows and columns of a group."""
    ny, nx = bright.shape
    rows, columns = places[0], places[1]
    for y in range(ny):
        for first in range(0, nx, _BLOCK):
            block = bright[y, first : first + _BLOCK]
            any_bright = np.uint8(0)
            for x in range(block.size):
                any_bright |= block[x]
            if not any_bright:
                continue
            for x in range(first, first + block.size):
                if bright[y, x]:
                    rows[0], columns[0] = y, x
                    _drop_if_small(bright, least, rows, columns)


@kernel
def _drop_if_small(bright, least, rows, columns):
    """Delete the group of the first place unless it has ``least`` pixels."""
    count, k = 1, 0
    while k < count < least:
        count = _add_beside(bright, rows, columns, k, count, least)
        k += 1
    if count < least:
        for k in range(count):
            bright[rows[k], columns[k]] = 0


@kernel
def _add_beside(bright, rows, columns, k, count, most):
    """Append the bright neighbours of pixel ``k`` that are not listed; return the new number."""
    ny, nx = bright.shape
    for v in range(max(rows[k] - 1, 0), min(rows[k] + 2, ny)):
        for u in range(max(columns[k] - 1, 0), min(columns[k] + 2, nx)):
            new = bright[v, u] != 0
            for i in range(count):
                new &= (rows[i] != v) | (columns[i] != u)
            if new and count < most:
                rows[count], columns[count] = v, u
                count += 1
    return count


@kernel
def _grow(bright, reach, result):
    """Grow bright pixels by the rows of a disc, of which ``reach`` is half the length."""
    ny, nx = bright.shape
    down = reach.size // 2
    for y in range(ny):
        for v in range(max(0, y - down), min(ny, y + down + 1)):
            line = bright[v]
            for shift in range(-reach[v - y + down], reach[v - y + down] + 1):
                if shift < 0:
                    _add(line[:shift], result[y, -shift:])
                else:
                    _add(line[shift:], result[y, : nx - shift])


@kernel
def _add(line, result):
    for x in range(result.size):
        result[x] |= line[x]


def warm_up() -> None:
    """Compile the kernels of this module."""
    image, missing = np.ones((6, 7), dtype=np.float32), np.zeros((6, 7), dtype=bool)
    bright = bright_pixels(image, 0 * image[::2, ::2].copy(), image, missing, 3.0, 4)
    grown(bright, 1)
    smoothed_sample(image, None, image, missing, 3)
