import numpy as np
from unit.platelib.movers.drawn_nights import drawn_subs

from platelib.movers.detections import Detections


def test_minutes_count_from_the_middle_of_the_night():
    """The first and the last sub are as far from 0."""
    subs = drawn_subs(np.random.default_rng(1), n=12, hours=3, channels=2)
    assert len(subs) == 12
    assert np.allclose([subs.minutes[0], subs.minutes[-1]], [-90, 90])


def test_the_grid_ends_half_a_pixel_beyond_the_outer_centres():
    """Places within the outer pixels are inside."""
    subs = drawn_subs(np.random.default_rng(1), n=12, shape=(30, 40))
    x, y = np.array([-0.4, 39.4, 39.6, 10]), np.array([0, 29.4, 0, -0.6])
    assert subs.inside(np.zeros(4, int), x, y).tolist() == [True, True, False, False]


def test_some_detections_keep_all_their_columns():
    """A mask or numbers choose rows of every column."""
    columns = [np.arange(5) + 10 * k for k in range(8)]
    some = Detections(*columns).of(np.array([3, 1]))
    assert len(some) == 2
    assert [c.tolist() for c in vars(some).values()] == [[c[3], c[1]] for c in columns]
