"""The parts of the grid that only one sub covers, at the edges of dithered or rotated sets."""

from collections.abc import Sequence

import numpy as np
from scipy.ndimage import find_objects, label

from platelib.numerics.transform import Transform

_PITCH_PX = 16
_REACH_PX = 8
"""Pixels round a region that are searched with it, so that its edge is no edge of the search."""

Box = tuple[slice, slice]


def covers(
    transform: Transform, shape: tuple[int, int], x: np.ndarray, y: np.ndarray
) -> np.ndarray:
    """Return whether grid positions lie in a raw frame.

    Parameters
    ----------
    transform : Transform
        Grid to raw pixels.
    shape : tuple of int
        ``(ny, nx)`` of the raw frame.
    x, y : numpy.ndarray
        Places on the grid, px.
    """
    raw_x, raw_y = transform(x, y)
    inside = (raw_x >= -0.5) & (raw_x <= shape[1] - 0.5)
    return np.asarray(inside & (raw_y >= -0.5) & (raw_y <= shape[0] - 0.5))


def lone_boxes(
    transforms: Sequence[Transform], shapes: Sequence[tuple[int, int]], grid: tuple[int, int]
) -> list[list[Box]]:
    """Return the boxes in each sub's raw frame with the area that only this sub covers.

    Parameters
    ----------
    transforms : sequence of Transform
        Grid to raw pixels, of the subs that are used.
    shapes : sequence of tuple of int
        ``(ny, nx)`` of their raw frames.
    grid : tuple of int
        ``(ny, nx)``.

    Returns
    -------
    list of list of tuple of slice
        Rows and columns of the boxes. Coverage is looked at every 16 pixels and at the edges of the
        grid: regions that reach none of these places are not found.
    """
    rows, columns = (np.unique(np.append(np.arange(0, n, _PITCH_PX), n - 1)) for n in grid)
    x, y = (nodes.ravel() for nodes in np.meshgrid(columns, rows))
    covered = [
        covers(transform, shape, x, y).reshape(rows.size, columns.size)
        for transform, shape in zip(transforms, shapes, strict=True)
    ]
    lone = np.sum(covered, axis=0) == 1
    boxes: list[list[Box]] = [[] for _ in covered]
    if lone.any():
        for own, found in zip(covered, boxes, strict=True):
            found += _node_boxes(own & lone, rows, columns)
    return [
        [box for part in found if (box := _raw_box(part, transform, shape)) is not None]
        for found, transform, shape in zip(boxes, transforms, shapes, strict=True)
    ]


def is_lone(
    transforms: Sequence[Transform],
    shapes: Sequence[tuple[int, int]],
    grid: tuple[int, int],
    x: np.ndarray,
    y: np.ndarray,
) -> np.ndarray:
    """Return which grid positions exactly one sub covers; ``(n,)`` bool."""
    inside = (x > -0.5) & (x < grid[1] - 0.5) & (y > -0.5) & (y < grid[0] - 0.5)
    count = np.zeros(len(x), dtype=int)
    for transform, shape in zip(transforms, shapes, strict=True):
        count += covers(transform, shape, x, y)
    return np.asarray(inside & (count == 1))


def _node_boxes(own: np.ndarray, rows: np.ndarray, columns: np.ndarray) -> list[Box]:
    """Return boxes of the grid round connected nodes, up to the next nodes."""
    labels, _ = label(own, np.ones((3, 3), dtype=int))
    return [(_widened(part[0], rows), _widened(part[1], columns)) for part in find_objects(labels)]


def _widened(part: slice, nodes: np.ndarray) -> slice:
    """Return the pixels from the node before a range of nodes to the one after it."""
    last = min(nodes.size - 1, part.stop)
    return slice(int(nodes[max(0, part.start - 1)]), int(nodes[last]))


def _raw_box(part: Box, transform: Transform, shape: tuple[int, int]) -> Box | None:
    """Return the box in the raw frame that holds a box of the grid, with some reach."""
    edges = [np.linspace(side.start, side.stop, 9) for side in part]
    x, y = np.meshgrid(edges[1], edges[0])
    spans = []
    for places, size in zip(transform(x, y)[::-1], shape, strict=True):
        first = max(0, int(np.floor(places.min())) - _REACH_PX)
        last = min(size, int(np.ceil(places.max())) + _REACH_PX + 1)
        if last <= first:
            return None
        spans.append(slice(first, last))
    return spans[0], spans[1]
