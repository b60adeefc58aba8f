"""Circles about sources against distances of all pixels."""

import numpy as np

from platelib.sources.source_footprint import SourceCovers

SHAPE = (60, 90)
TABLE = {
    "x": np.array([20.3, 24.8, 88.9, 45.0]),
    "y": np.array([30.1, 31.0, 0.2, 58.7]),
    "flux": np.array([50.0, 300.0, 5000.0, -1.0]),
    "flux_error": np.ones(4),
}
RADII = (3.0, 6.0, 12.0, 3.0)


def drawn(rows):
    """Count circles by the distance of each pixel."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    inside = [np.hypot(x - TABLE["x"][k], y - TABLE["y"][k]) <= RADII[k] for k in rows]
    return np.sum(inside, axis=0)


def test_bright_sources_get_larger_circles():
    """Of 200 sigma and 1000 sigma on, circles are twice and four times as wide, cut at the edge."""
    covers = SourceCovers(SHAPE, 1.5)
    covers.lay(TABLE, range(4))
    np.testing.assert_array_equal(covers.count, drawn(range(4)))


def test_a_circle_is_lifted_alone():
    """What other circles cover stays covered."""
    covers = SourceCovers(SHAPE, 1.5)
    covers.lay(TABLE, range(4))
    covers.lift(TABLE, [1])
    np.testing.assert_array_equal(covers.count, drawn([0, 2, 3]))
    assert covers.count[30, 22] == 1
