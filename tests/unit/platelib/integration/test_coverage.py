import numpy as np
import pytest

from platelib.integration.coverage import covers, is_lone, lone_boxes
from platelib.numerics.transform import Transform, normalisation

GRID = (210, 330)


def _moved(dx, dy, degrees=0.0):
    """A transform from the grid to a raw frame that is shifted and turned about the middle."""
    cx, cy, scale = normalisation(GRID)
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    x = np.array([cx + dx, scale * c, -scale * s])
    y = np.array([cy + dy, scale * s, scale * c])
    return Transform(1, cx, cy, scale, x, y)


SETS = {
    "dithered": [_moved(0, 0), _moved(22, -3), _moved(25, 6), _moved(24, 1), _moved(23, 4)],
    "turned": [_moved(0, 0), _moved(3, -2, 24), _moved(-4, 1, 23), _moved(1, 5, 25)],
    "mirrored": [_moved(0, 0, 180), _moved(30, 20, 180), _moved(28, 22)],
}


def _count(transforms):
    """How many of the subs cover each pixel, looked at pixel by pixel."""
    y, x = np.mgrid[: GRID[0], : GRID[1]]
    return sum(covers(t, GRID, x, y).astype(int) for t in transforms)


@pytest.mark.parametrize("name", SETS)
def test_boxes_hold_all_that_one_sub_alone_covers(name):
    """Each lone pixel of the grid lies in a box of the sub that covers it."""
    transforms = SETS[name]
    boxes = lone_boxes(transforms, [GRID] * len(transforms), GRID)
    lone = _count(transforms) == 1
    assert lone.sum() > 200
    y, x = np.nonzero(lone)
    held = np.zeros(len(x), dtype=bool)
    for transform, own in zip(transforms, boxes, strict=True):
        mine = covers(transform, GRID, x, y)
        raw_x, raw_y = transform(x, y)
        for rows, columns in own:
            inside = (raw_x >= columns.start - 0.5) & (raw_x < columns.stop - 0.5)
            held |= mine & inside & (raw_y >= rows.start - 0.5) & (raw_y < rows.stop - 0.5)
    assert held.all()
    np.testing.assert_array_equal(
        is_lone(transforms, [GRID] * len(transforms), GRID, x.astype(float), y.astype(float)),
        np.ones(len(x), dtype=bool),
    )


def test_boxes_are_small():
    """Of a set that is dithered to one side only strips along the edges are searched."""
    transforms = SETS["dithered"]
    boxes = lone_boxes(transforms, [GRID] * len(transforms), GRID)
    sizes = [sum((r.stop - r.start) * (c.stop - c.start) for r, c in own) for own in boxes]
    assert sizes[1:] == [0] * 4
    assert 0 < sizes[0] < 0.35 * GRID[0] * GRID[1]


def test_nothing_is_searched_where_two_subs_cover_all():
    """Subs of the same pointing leave no pixel to one of them."""
    transforms = [_moved(0, 0), _moved(0.3, -0.2), _moved(2, 1)]
    assert lone_boxes(transforms, [GRID] * 3, GRID) == [[], [], []]


def test_places_outside_the_grid_are_not_lone():
    """Where there is no pixel of the grid nothing needs a search."""
    x, y = np.array([-5.0, 5.0, 400.0]), np.array([5.0, 5.0, 5.0])
    transforms = [_moved(10, 0), _moved(-20, 0)]
    np.testing.assert_array_equal(is_lone(transforms, [GRID] * 2, GRID, x, y), [False, True, False])
