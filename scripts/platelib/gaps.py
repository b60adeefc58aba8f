"""Small gaps in a picture, such as saturated cores of stars, filled from their rims.

For pictures to be looked at only: the linear cube keeps its gaps.
"""

import numpy as np
from scipy.ndimage import find_objects, label

LARGEST_PX = 400
_NEIGHBOURS = [(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if dy or dx]


def mend_gaps(planes: np.ndarray, largest_px: int = LARGEST_PX) -> tuple[np.ndarray, int]:
    """Fill gaps that lie inside the picture, rim by rim, with the mean of known neighbours.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, NaN for no data. A pixel without data in one plane is a gap.
    largest_px : int
        Gaps of more pixels than this stay, as do those that touch the edge of the picture.

    Returns
    -------
    mended : numpy.ndarray
        A copy with the gaps filled; a gap is filled in every plane, so that a star's core
        does not take its colours from different places.
    count : int
        Number of pixels filled.
    """
    mended = planes.copy()
    labels, _ = label(~np.isfinite(planes).all(axis=0), structure=np.ones((3, 3)))
    ny, nx = labels.shape
    count = 0
    for number, (rows, columns) in enumerate(find_objects(labels), start=1):
        inside = rows.start > 0 and columns.start > 0 and rows.stop < ny and columns.stop < nx
        if not inside:
            continue
        window = np.s_[rows.start - 1 : rows.stop + 1, columns.start - 1 : columns.stop + 1]
        gap = labels[window] == number
        if gap.sum() <= largest_px:
            mended[:, *window] = _fill(mended[:, *window], gap)
            count += int(gap.sum())
    return mended, count


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
