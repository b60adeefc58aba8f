import astroalign
import numpy as np

from platelib.registration.astroalign_match import asterism_similarity


def _lists(seed, noise=0.1):
    rng = np.random.default_rng(seed)
    grid = rng.uniform(0, 1, (40, 2)) * [1500, 1000]
    turn = np.array([[0.8, -0.6], [0.6, 0.8]])
    return grid, grid @ turn.T + [300.0, -200.0] + rng.normal(0, noise, grid.shape), turn


def test_the_similarity_is_the_true_one():
    """A turned and shifted list is found again to half a pixel."""
    grid, raw, turn = _lists(1)
    matrix = asterism_similarity(grid, raw)
    np.testing.assert_allclose(matrix[:, :2], turn, atol=1e-3)
    np.testing.assert_allclose(matrix[:, 2], [300, -200], atol=0.5)


def test_the_answer_is_the_same_each_time():
    """The library's shuffle has a fixed seed here, and numpy is left as it was."""
    grid, raw, _ = _lists(2, noise=0.5)
    first = asterism_similarity(grid, raw)
    np.random.default_rng().normal()
    np.testing.assert_array_equal(asterism_similarity(grid, raw), first)
    assert astroalign._np is np


def test_unrelated_or_short_lists_are_none():
    """Lists without a common pattern, and with fewer than three stars, have no similarity."""
    rng = np.random.default_rng(3)
    one, other = rng.uniform(0, 1000, (2, 20, 2))
    assert asterism_similarity(one, other) is None
    assert asterism_similarity(one[:2], other) is None
