"""Noise of sums over many pixels, measured in circles on the empty sky.

Resampling makes neighbouring pixels alike, and a sky is never quite flat: what a circle of pixels
scatters by cannot be told from single pixels. So circles are laid on sky that shows nothing.
"""

from dataclasses import dataclass

import numpy as np
import sep

from platelib.numerics.kernels import kernel, read_only
from platelib.numerics.medians import mad_sigma
from platelib.sources.background_subtracted import FieldSky

FEWEST = 30
_MOST = 40_000
_PASSES = 5
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
        Where there is room for more, some more than this are returned, spread over the image.

    Returns
    -------
    x, y : numpy.ndarray
        ``(n,)`` float64, whole pixels, in the order of rows.
    """
    rows, columns = _blank_pixels(field, radius_px, seed, most)
    return columns.astype(float), rows.astype(float)


def _blank_pixels(
    field: FieldSky, radius_px: float, seed: int, most: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return the rows and columns of the pixels in the middle of circles on empty sky."""
    step = int(np.ceil(2 * radius_px + 1))
    rng = np.random.default_rng([seed, step])
    top, left = (int(value) for value in rng.integers(0, step, 2))
    ny, nx = field.blank.shape
    down, across = max(0, -(-(ny - top) // step)), max(0, -(-(nx - left) // step))
    rim = int(radius_px + 1)
    widths = np.sqrt((radius_px + 1) ** 2 - np.arange(-rim, rim + 1) ** 2.0).astype(np.int64)
    blank = read_only(field.blank.view(np.uint8))
    # Each pass is spread over the whole image.
    passes = max(1, _PASSES * down * across // most)
    kept: list[np.ndarray] = []
    for start in rng.permutation(passes).tolist():
        places = np.arange(start, down * across, passes)
        free = np.empty(places.size, dtype=np.uint8)
        _test(blank, read_only(places), across, (top, left), step, read_only(widths), free)
        kept.append(places[free > 0])
        if sum(part.size for part in kept) >= most:
            break
    rows, columns = np.divmod(np.sort(np.concatenate(kept)), max(across, 1))
    return top + step * rows, left + step * columns


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
    rows, columns = _blank_pixels(field, radius_px, seed, _MOST)
    if rows.size < FEWEST:
        msg = (
            f"only {rows.size} circles of radius {radius_px:.1f} px find room on empty sky and "
            f"{FEWEST} are needed to measure its noise"
        )
        raise ValueError(msg)
    total, variance = np.empty((2, rows.size))
    weights = read_only(_weights(radius_px))
    planes = read_only(field.image), read_only(field.noise), read_only(rows), read_only(columns)
    _sum_circles(*planes, weights, np.empty((2, len(weights))), total, variance)
    alone = np.sqrt(variance)
    ratio = total / alone
    factor = mad_sigma(ratio)
    return ApertureNoise(radius_px, factor * float(np.median(alone)), factor, rows.size)


def _weights(radius_px: float) -> np.ndarray:
    """Return the area of each pixel inside a circle about the middle one, in float64."""
    reach = int(np.ceil(radius_px + 0.5)) - 1
    side = 2 * reach + 1
    alone = np.zeros((2 * side, 2 * side))
    alone[side, side] = 1
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    area, _, _ = sep.sum_circle(
        alone, (side + dx).ravel(), (side + dy).ravel(), radius_px, subpix=0
    )
    return area.reshape(side, side)


@kernel
def _test(blank, places, across, first, step, widths, free):
    """Tell which places of a lattice have blank pixels only within a distance."""
    for k in range(places.size):
        y = first[0] + step * (places[k] // across)
        x = first[1] + step * (places[k] % across)
        free[k] = _is_blank(blank, y, x, widths)


@kernel
def _is_blank(blank, y, x, widths):
    """Whether all pixels of a disc are blank; beyond the edge none is."""
    ny, nx = blank.shape
    rim = widths.size // 2
    if y < rim or x < rim or y + rim >= ny or x + rim >= nx:
        return False
    for v in range(widths.size):
        row = blank[y - rim + v]
        for u in range(x - widths[v], x + widths[v] + 1):
            if row[u] == 0:
                return False
    return True


@kernel
def _sum_circles(image, noise, rows, columns, weights, sums, total, variance):
    """Sum pixels by their weights, and the squares of weighted noise, by columns first."""
    side = weights.shape[0]
    light, squares = sums[0], sums[1]
    for k in range(rows.size):
        top, left = rows[k] - side // 2, columns[k] - side // 2
        light[:] = 0.0
        squares[:] = 0.0
        for v in range(side):
            _add_row(
                image[top + v, left : left + side], noise[top + v, left : left + side],
                weights[v], light, squares,
            )  # fmt: skip
        total[k], variance[k] = 0.0, 0.0
        for u in range(side):
            total[k] += light[u]
            variance[k] += squares[u]


@kernel
def _add_row(values, noise, weights, light, squares):
    for u in range(weights.size):
        light[u] += weights[u] * values[u]
        part = weights[u] * noise[u]
        squares[u] += part * part


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


def warm_up() -> None:
    """Compile the kernels of this module."""
    plane, nothing = np.ones((60, 60), dtype=np.float32), np.zeros((60, 60), dtype=bool)
    aperture_noise(FieldSky(plane, plane, nothing, nothing), 1.0, 1)
