"""Rows that tiles share."""

import numpy as np
import pytest

from platefiles.integration.kept_rows import KeptRows

WIDTH = 6


def _planes(first, rows):
    """Two planes of three images whose values encode the row of the grid."""
    values = np.arange(first, first + rows, dtype=np.float32)[None, :, None]
    return [np.tile(plane, (3, 1, WIDTH)) for plane in (values, values.astype(np.uint8))]


@pytest.mark.parametrize(("rows", "kept"), [(4, 4), (2.9, 2), (0.5, 0)])
def test_rows_come_back_as_far_as_memory_allows(rows, kept):
    """The tile below gets the kept rows of the tile above, from its first row on."""
    shared = KeptRows(rows * 3 * 5 * WIDTH, WIDTH)
    shared.keep((0, WIDTH), 16, _planes(16, 4))
    planes = [np.zeros_like(plane) for plane in _planes(16, 9)]
    assert shared.fill((0, WIDTH), 16, planes) == kept
    for plane, expected in zip(planes, _planes(16, 9), strict=True):
        np.testing.assert_array_equal(plane[:, :kept], expected[:, :kept])
        assert not plane[:, kept:].any()


@pytest.mark.parametrize(("columns", "first"), [((1, WIDTH), 16), ((0, WIDTH), 17)])
def test_rows_of_another_place_are_not_taken(columns, first):
    """Neither those of other columns nor those of a tile further up."""
    shared = KeptRows(1e6, WIDTH)
    shared.keep((0, WIDTH), 16, _planes(16, 4))
    assert shared.fill(columns, first, _planes(first, 4)) == 0


def test_what_was_kept_is_a_copy():
    """The thread goes on with its memory while the rows wait."""
    shared, planes = KeptRows(1e6, WIDTH), _planes(16, 4)
    shared.keep((0, WIDTH), 16, planes)
    for plane in planes:
        plane[:] = 0
    assert shared.fill((0, WIDTH), 16, planes) == 4
    np.testing.assert_array_equal(planes[0], _planes(16, 4)[0])
