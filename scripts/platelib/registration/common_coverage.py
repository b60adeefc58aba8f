"""The part of the grid that most of the exposure of a channel covers."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platelib.numerics.transform import Transform

LEAST_SHARE = 0.5
"""Share of the exposure that covers the part; noise there is at most 1.4 times that of its middle,
and dithers, which lie about the reference at random, cost few rows and columns."""

_CELLS = 500
_TOLERANCE_PX = 0.05


@dataclass(frozen=True)
class Footprint:
    """The place of a sub on the grid.

    Attributes
    ----------
    transform : Transform
        From the grid to the sub.
    shape : tuple of int
        ``(ny, nx)`` of the sub.
    exposure_s : float
    """

    transform: Transform
    shape: tuple[int, int]
    exposure_s: float


def common_part(
    footprints: Sequence[Footprint], shape: tuple[int, int], share: float = LEAST_SHARE
) -> tuple[slice, slice] | None:
    """Return the rows and columns of the grid that enough of the exposure covers.

    Parameters
    ----------
    footprints : sequence of Footprint
        Of a channel's subs.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    share : float
        Least share of the exposure that covers every pixel of the part.

    Returns
    -------
    tuple of slice or None
        To a 500th of the longer side of the grid, and never too large; None if there is none.
    """
    if not footprints:
        return None
    ny, nx = shape
    step = max(1, max(shape) // _CELLS)
    rows, columns = _nodes(ny, step), _nodes(nx, step)
    x, y = (part.ravel() for part in np.meshgrid(columns, rows))
    covered = np.zeros(x.size)
    for one in footprints:
        raw_x, raw_y = one.transform(x, y)
        inside = (raw_x >= -_TOLERANCE_PX) & (raw_x <= one.shape[1] - 1 + _TOLERANCE_PX)
        inside &= (raw_y >= -_TOLERANCE_PX) & (raw_y <= one.shape[0] - 1 + _TOLERANCE_PX)
        covered += inside * one.exposure_s
    total = sum(one.exposure_s for one in footprints)
    lacking = (covered < share * total).reshape(rows.size, columns.size)
    if step == 1:
        return clear_rectangle(lacking)
    cells = lacking[:-1, :-1] | lacking[1:, :-1] | lacking[:-1, 1:] | lacking[1:, 1:]
    found = clear_rectangle(cells)
    if found is None:
        return None
    down, across = found
    return (
        slice(int(rows[down.start]), int(rows[down.stop]) + 1),
        slice(int(columns[across.start]), int(columns[across.stop]) + 1),
    )


def _nodes(size: int, step: int) -> np.ndarray:
    """Return every `step`-th of the pixels of a side, and the last one."""
    return np.unique(np.append(np.arange(0, size, step), size - 1))


def clear_rectangle(mask: np.ndarray) -> tuple[slice, slice] | None:
    """Return the rows and columns of a large upright rectangle without any pixel of a mask.

    The row or column at the edge with the largest share of masked pixels is removed until none has
    any: nearly the largest rectangle, and the same at any time.

    Parameters
    ----------
    mask : numpy.ndarray
        ``(ny, nx)`` bool.

    Returns
    -------
    tuple of slice or None
        Rows and columns; None if nothing is left.
    """
    top, bottom, left, right = 0, mask.shape[0], 0, mask.shape[1]
    while bottom > top and right > left:
        shares = [
            np.count_nonzero(mask[top, left:right]) / (right - left),
            np.count_nonzero(mask[bottom - 1, left:right]) / (right - left),
            np.count_nonzero(mask[top:bottom, left]) / (bottom - top),
            np.count_nonzero(mask[top:bottom, right - 1]) / (bottom - top),
        ]
        worst = int(np.argmax(shares))
        if shares[worst] == 0:
            return slice(top, bottom), slice(left, right)
        top, bottom = top + (worst == 0), bottom - (worst == 1)
        left, right = left + (worst == 2), right - (worst == 3)
    return None
