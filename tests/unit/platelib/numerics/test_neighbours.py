import numpy as np
import pytest

from platelib.numerics import neighbours as module
from platelib.numerics.neighbours import close_pairs

SETS = [(40, 50, 2, 0.1), (30, 17, 4, 0.4), (60, 60, 1, 0.01), (9, 20, 2, 2.0), (7, 1, 2, 0.3)]


@pytest.mark.parametrize(("n", "m", "dimensions", "reach"), SETS)
@pytest.mark.parametrize("at_a_time", [1, 50, 10**6])
def test_pairs_are_those_of_all_distances(monkeypatch, n, m, dimensions, reach, at_a_time):
    """Every pair within reach is found once, in the order of the first points."""
    monkeypatch.setattr(module, "_MOST_AT_A_TIME", at_a_time)
    rng = np.random.default_rng(n)
    one, other = rng.uniform(size=(n, dimensions)), rng.uniform(size=(m, dimensions))
    i, j = close_pairs(one, other, reach)
    distance = np.sqrt(((one[:, None] - other) ** 2).sum(axis=2))
    assert (np.diff(i) >= 0).all()
    np.testing.assert_array_equal(np.unique(i * m + j), np.flatnonzero(distance <= reach))
    assert len(i) == np.count_nonzero(distance <= reach)


@pytest.mark.parametrize(("n", "m"), [(0, 5), (5, 0), (0, 0)])
def test_no_points_no_pairs(n, m):
    """Empty sets have no pairs."""
    i, j = close_pairs(np.zeros((n, 2)), np.zeros((m, 2)), 1.0)
    assert len(i) == len(j) == 0
