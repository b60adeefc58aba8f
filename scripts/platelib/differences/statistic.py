"""The matched filter of a difference by the image of a star.

With the difference ``d`` of variance ``v`` and the image ``P`` of a star of unit flux, the sums
``a = sum(P d / v)`` and ``b = sum(P^2 / v)`` about a pixel give the flux ``a / b`` of a point
source there and its signal-to-noise ``a / sqrt(b)``. Sums of several subs add up. Errors of the
prediction that go with its light are added to the variance of ``a``: a share of the light, and a
shift of the stars (Zackay, Ofek & Gal-Yam 2016, ApJ 830, 27, section 3.3).
"""

from dataclasses import dataclass

import numpy as np

from platelib.differences.predicted_light import BLOCK, add_scaled, runs_of
from platelib.differences.star_image import StarImage, separable_parts
from platelib.numerics.kernels import kernel, read_only
from platelib.numerics.workspace import Room

_REACH_FWHM = 1.25
TILE = 512
"""Side of the parts of the field that are filtered by the star image of their middle."""


@dataclass(frozen=True)
class Statistic:
    """Sums of the matched filter.

    Attributes
    ----------
    signal, information : numpy.ndarray
        ``(ny, nx)`` float32: ``a``, per unit of flux, and ``b``, its inverse variance.
    """

    signal: np.ndarray
    information: np.ndarray

    def significance(self) -> np.ndarray:
        """Return the signal-to-noise, ``(ny, nx)`` float32; 0 where nothing is known."""
        found = np.zeros_like(self.signal)
        np.sqrt(self.information, out=found)
        np.divide(self.signal, found, out=found, where=found > 0)
        return found


@dataclass(frozen=True)
class Filters:
    """Separable filters of the tiles of a field.

    Attributes
    ----------
    down, across : numpy.ndarray
        ``(tiles down, tiles across, rank, side)`` float32.
    square_down, square_across : numpy.ndarray
        The same of rank 1, for the square of the filter.
    """

    down: np.ndarray
    across: np.ndarray
    square_down: np.ndarray
    square_across: np.ndarray

    def image(self) -> np.ndarray:
        """Return the filter of the middle tile, ``(side, side)`` float64."""
        j, i = self.down.shape[0] // 2, self.down.shape[1] // 2
        down, across = self.down[j, i].astype(np.float64), self.across[j, i].astype(np.float64)
        return np.asarray((down[:, :, None] * across[:, None, :]).sum(axis=0))


def filters_of(image: StarImage, fwhm_px: float, shape: tuple[int, int]) -> Filters:
    """Return the filters of the tiles of an image.

    Parameters
    ----------
    image : StarImage
        Its part within 1.25 FWHM along each axis is used.
    fwhm_px : float
    shape : tuple of int
        ``(ny, nx)``.
    """
    tiles = tuple(-(-size // TILE) for size in shape) if len(image.pixels) > 1 else (1, 1)
    y, x = (
        (np.minimum((np.arange(n) + 0.5) * TILE, size) if n > 1 else np.array([size / 2]))
        for n, size in zip(tiles, shape, strict=True)
    )
    at_x, at_y = np.meshgrid(x, y)
    half = min(image.radius, int(np.ceil(_REACH_FWHM * fwhm_px)))
    inner = slice(image.radius - half, image.radius + half + 1)
    found = []
    for stamp in image.at(at_x.ravel(), at_y.ravel()):
        down, across = separable_parts(stamp[inner, inner])
        square = (down[:, :, None].astype(np.float64) * across[:, None, :]).sum(axis=0) ** 2
        one, other = separable_parts(square, 1)
        other *= np.float32(square.sum() / (float(one.sum()) * float(other.sum())))
        found.append((down, across, one, other))
    parts = zip(*found, strict=True)
    return Filters(*(np.stack(part).reshape(*tiles, *part[0].shape) for part in parts))


def filter_rows(
    difference: np.ndarray,
    weight: np.ndarray,
    filters: Filters,
    rows: tuple[int, int],
    out: tuple[np.ndarray, np.ndarray],
    room: Room | None = None,
) -> None:
    """Fill rows of both sums.

    Parameters
    ----------
    difference, weight : numpy.ndarray
        ``(ny, nx)`` float32: the difference, finite, and its inverse variance, 0 where masked.
    filters : Filters
    rows : tuple of int
        First row and the one after the last.
    out : tuple of numpy.ndarray
        ``(ny, nx)`` float32 each.
    room : Room, optional
        Memory to work in.
    """
    half = filters.down.shape[-1] // 2
    planes = [read_only(plane) for plane in _padded(difference, weight, rows, half, room or Room())]
    line = np.empty(planes[0].shape[1], dtype=np.float32)
    _filter(planes[0], filters.down, filters.across, rows[0], line, out[0][slice(*rows)])
    _filter(
        planes[1], filters.square_down, filters.square_across, rows[0], line, out[1][slice(*rows)]
    )  # fmt: skip


def filter_light(
    light: np.ndarray,
    weight: np.ndarray,
    filters: Filters,
    lit: np.ndarray,
    room: Room | None = None,
) -> np.ndarray:
    """Return the signal of some light in lit blocks, and 0 elsewhere.

    Parameters
    ----------
    light, weight : numpy.ndarray
        ``(ny, nx)`` float32.
    filters : Filters
    lit : numpy.ndarray
        From `platelib.differences.predicted_light.lit_blocks`.
    room : Room, optional
        Memory of the result.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` float32.
    """
    found = (room or Room()).plane("filtered light", light.shape, np.float32)
    found[:] = 0
    side = filters.down.shape[-1]
    around = np.empty((BLOCK + side, TILE + side), dtype=np.float32)
    line = np.empty(TILE + side, dtype=np.float32)
    runs = runs_of(lit, (0, len(light)))
    planes = read_only(light), read_only(weight)
    _filter_runs(*planes, filters.down, filters.across, runs, around, line, found)
    return found


def _padded(values, weight, rows, half, room):
    """Return rows of weighted values and of weights, with zeros beyond the edge."""
    ny, nx = values.shape
    size = (2, rows[1] - rows[0] + 2 * half, nx + 2 * half)
    planes = room.plane("padded", size, np.float32)
    planes[:] = 0
    top, bottom = max(rows[0] - half, 0), min(rows[1] + half, ny)
    inner = slice(top - rows[0] + half, bottom - rows[0] + half), slice(half, half + nx)
    planes[1][inner] = weight[top:bottom]
    np.multiply(values[top:bottom], weight[top:bottom], out=planes[0][inner])
    return planes


@kernel
def _filter(plane, down, across, first, line, out):
    """Correlate rows of a padded plane with the separable filters of their tiles."""
    tiles_down, tiles_across = down.shape[:2]
    nx = out.shape[1]
    for y in range(out.shape[0]):
        j = min((first + y) // TILE, tiles_down - 1)
        for left in range(0, nx, TILE):
            i = min(left // TILE, tiles_across - 1)
            _filter_part(plane, down[j, i], across[j, i], y, left, min(left + TILE, nx), line, out)


@kernel
def _filter_runs(light, weight, down, across, runs, room, line, out):
    """Correlate runs of lit blocks; ``room`` holds the weighted light around each."""
    ny, nx = light.shape
    side = down.shape[-1]
    half = side // 2
    for k in range(runs.shape[0]):
        top, left = runs[k, 0] * BLOCK, runs[k, 1] * BLOCK
        height, width = min(BLOCK, ny - top), min(runs[k, 2] * BLOCK, nx) - left
        j = min(top // TILE, down.shape[0] - 1)
        i = min(left // TILE, down.shape[1] - 1)
        for v in range(height + side - 1):
            y = top + v - half
            for u in range(width + side - 1):
                x = left + u - half
                inside = 0 <= y < ny and 0 <= x < nx
                room[v, u] = light[y, x] * weight[y, x] if inside else np.float32(0)
        part = out[top : top + height, left : left + width]
        for v in range(height):
            _filter_part(room, down[j, i], across[j, i], v, 0, width, line, part)


@kernel
def _filter_part(plane, down, across, y, start, stop, line, out):
    rank, side = down.shape
    width = stop - start + side - 1
    column = line[:width]
    total = out[y, start:stop]
    total[:] = np.float32(0)
    for k in range(rank):
        column[:] = np.float32(0)
        for v in range(side):
            add_scaled(plane[y + v, start : start + width], down[k, v], column)
        for u in range(side):
            add_scaled(column[u : u + stop - start], across[k, u], total)
