"""Inpaint small gaps in a picture, and saturated star cores of any size, from their rims.

For pictures to be looked at only: the linear image keeps its gaps. Gaps of up to 400 pixels are
filled rim by rim with the mean of known neighbours. Larger ones get a smooth membrane that is fixed
at the rim (Laplace's equation): first on means of 2 x 2 pixels, of these again, and so on, then
each finer level from the coarser one with a fixed number of relaxations (the cascade of Bornemann
and Deuflhard 1996, Numerische Mathematik 75, 135). The time is proportional to the number of
pixels.
"""

from collections.abc import Callable

import numpy as np
from scipy.ndimage import binary_dilation

from platelib.numerics.pieces import pieces_of

LARGEST_PX = 400
_RELAXATIONS = 12
_NEIGHBOURS = [(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if dy or dx]


def inpaint_gaps(
    planes: np.ndarray,
    largest_px: int | None = LARGEST_PX,
    core_levels: Callable[[], np.ndarray] | None = None,
) -> tuple[np.ndarray, int]:
    """Fill gaps inside the picture from the surrounding known pixels.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, NaN for no data. A pixel without data in one plane is a gap.
    largest_px : int or None
        Gaps of more pixels than this stay, as do those that touch the edge of the picture; with
        None a gap may have any size.
    core_levels : callable, optional
        Returns ``(n,)`` levels, and is called only where a gap is larger than ``largest_px``. Such
        a gap is the core of a star, and is filled, if the median of its rim is above the level of
        some plane.

    Returns
    -------
    interpolated : numpy.ndarray
        A copy with the gaps filled; a gap is filled in every plane, so that a star's core
        does not take its colours from different places.
    count : int
        Number of pixels filled.
    """
    interpolated = planes.copy()
    return interpolated, fill_gaps(interpolated, largest_px, core_levels)


def fill_gaps(
    planes: np.ndarray,
    largest_px: int | None = LARGEST_PX,
    core_levels: Callable[[], np.ndarray] | None = None,
) -> int:
    """Do what `inpaint_gaps` does in place, and return the number of pixels filled."""
    gaps = ~np.isfinite(planes[0])
    for plane in planes[1:]:
        gaps |= ~np.isfinite(plane)
    pieces = pieces_of(gaps)
    ny, nx = gaps.shape
    count, levels = 0, None
    for number, (rows, columns) in enumerate(pieces.windows()):
        inside = rows.start > 0 and columns.start > 0 and rows.stop < ny and columns.stop < nx
        if not inside:
            continue
        window = np.s_[rows.start - 1 : rows.stop + 1, columns.start - 1 : columns.stop + 1]
        gap, size = pieces.drawn(number, window), int(pieces.areas[number])
        if largest_px is not None and size > largest_px:
            if core_levels is None:
                continue
            levels = core_levels() if levels is None else levels
            if not _has_bright_rim(planes[:, *window], gap, levels):
                continue
        planes[:, *window] = filled(planes[:, *window], gap)
        count += size
    return count


def inpaint_cores(planes: np.ndarray, cores: np.ndarray) -> None:
    """Fill star cores in place, of any size and at any position.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, NaN for no data.
    cores : numpy.ndarray
        ``(ny, nx)`` bool. Where nothing is known around them they stay as they are.
    """
    pieces = pieces_of(cores)
    ny, nx = cores.shape
    for number, (rows, columns) in enumerate(pieces.windows()):
        top, left = max(0, rows.start - 1), max(0, columns.start - 1)
        window = np.s_[top : min(ny, rows.stop + 1), left : min(nx, columns.stop + 1)]
        planes[:, *window] = filled(planes[:, *window], pieces.drawn(number, window))


def filled(planes: np.ndarray, gap: np.ndarray) -> np.ndarray:
    """Return planes with one gap filled from the surrounding known pixels.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, NaN for no data.
    gap : numpy.ndarray
        ``(ny, nx)`` bool.
    """
    if np.count_nonzero(gap) <= LARGEST_PX:
        return _fill(planes, gap)
    known = ~gap & np.isfinite(planes).all(axis=0)
    if not known.any():
        return planes
    surface = membrane(np.where(known, planes, 0).astype(np.float64), known)
    return np.where(gap, surface, planes).astype(np.float32)


def membrane(values: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Fill unknown pixels with a membrane: each is nearly the mean of its four neighbours.

    Parameters
    ----------
    values : numpy.ndarray
        ``(n, ny, nx)`` float64; values at unknown pixels are ignored.
    known : numpy.ndarray
        ``(ny, nx)`` bool, True somewhere. Across the edge of the array nothing flows.

    Returns
    -------
    numpy.ndarray
        ``(n, ny, nx)`` float64, known pixels as they were.
    """
    if known.all():
        return values
    ny, nx = known.shape
    if ny * nx == 1 or max(ny, nx) <= 2:
        mean = np.where(known, values, 0).sum(axis=(1, 2)) / known.sum()
        return np.where(known, values, mean[:, None, None])
    padding = ((0, ny % 2), (0, nx % 2))
    count = _in_pairs(np.pad(known.astype(np.float64), padding))
    total = _in_pairs(np.pad(np.where(known, values, 0), ((0, 0), *padding)))
    coarse = membrane(total / np.maximum(count, 1), count > 0)
    finer = _twice(_twice(coarse, 1), 2)[:, :ny, :nx]
    result = np.where(known, values, finer)
    for _ in range(_RELAXATIONS):
        around = np.pad(result, ((0, 0), (1, 1), (1, 1)), mode="edge")
        mean = (around[:, :-2, 1:-1] + around[:, 2:, 1:-1]) + (
            around[:, 1:-1, :-2] + around[:, 1:-1, 2:]
        )
        result = np.where(known, values, mean / 4)
    return result


def _in_pairs(array: np.ndarray) -> np.ndarray:
    """Sum squares of 2 x 2 pixels."""
    return (array[..., ::2, ::2] + array[..., 1::2, ::2]) + (
        array[..., ::2, 1::2] + array[..., 1::2, 1::2]
    )


def _twice(array: np.ndarray, axis: int) -> np.ndarray:
    """Sample an array twice as finely along an axis, by straight lines."""
    width = [(0, 0)] * array.ndim
    width[axis] = (1, 1)
    padded = np.moveaxis(np.pad(array, width, mode="edge"), axis, -1)
    low, middle, high = padded[..., :-2], padded[..., 1:-1], padded[..., 2:]
    parts = np.stack([0.75 * middle + 0.25 * low, 0.75 * middle + 0.25 * high], axis=-1)
    return np.moveaxis(parts.reshape(*parts.shape[:-2], -1), -1, axis)


def _has_bright_rim(planes: np.ndarray, gap: np.ndarray, levels: np.ndarray) -> bool:
    rim = binary_dilation(gap, np.ones((3, 3))) & np.isfinite(planes).all(axis=0)
    return bool(rim.any()) and bool((np.median(planes[:, rim], axis=1) > levels).any())


def _fill(planes: np.ndarray, gap: np.ndarray) -> np.ndarray:
    filled, unknown = planes.copy(), gap | ~np.isfinite(planes).all(axis=0)
    left = gap.copy()
    while left.any():
        total = np.zeros_like(filled)
        known = np.zeros(gap.shape, dtype=np.float32)
        values = np.where(unknown, np.float32(0), filled)
        for dy, dx in _NEIGHBOURS:
            total += _shifted(values, dy, dx)
            known += _shifted((~unknown).astype(np.float32), dy, dx)
        rim = left & (known > 0)
        if not rim.any():
            break
        filled[:, rim] = total[:, rim] / known[rim]
        unknown &= ~rim
        left &= ~rim
    return filled


def _shifted(values: np.ndarray, dy: int, dx: int) -> np.ndarray:
    """Return the neighbour's value at each pixel, 0 beyond the edge."""
    ny, nx = values.shape[-2:]
    padding = [(0, 0)] * (values.ndim - 2) + [(1, 1), (1, 1)]
    return np.pad(values, padding)[..., 1 + dy : 1 + dy + ny, 1 + dx : 1 + dx + nx]
