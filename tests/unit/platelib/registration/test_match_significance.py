import numpy as np
import pytest

from platelib.numerics.neighbours import mutual_pairs
from platelib.registration.match_significance import LOG_THRESHOLD, log_chance

SIZE = np.array([3000.0, 2000.0])


def _agreed(places, raw, reach):
    i, j = mutual_pairs(places.T, raw, reach)
    miss = np.hypot(*(places[:, i] - raw[j].T))
    return len(i), float(np.sqrt(np.mean(miss**2))) if len(i) else 0.0


def test_eighteen_of_22_stars_that_agree_are_no_chance():
    """18 of 22 stars near a bright galaxy, all within 600 px, agree beyond chance to 1.5 px rms."""
    rng = np.random.default_rng(1)
    grid = rng.uniform(0, 1, (700, 2)) * SIZE
    middle = np.argsort(np.hypot(*(grid - SIZE / 2).T))[:18]
    raw = np.concatenate([grid[middle] + rng.normal(0, 1.0, (18, 2)), SIZE / 2 + [[0, 9]] * 4])
    assert log_chance(grid.T, raw, 18, 1.5, 3, 5000) < LOG_THRESHOLD


@pytest.mark.parametrize("count", [20, 300, 2000])
def test_unrelated_lists_agree_by_chance(count):
    """As many stars as agree between unrelated lists are what chance lets expect."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        places, raw = (rng.uniform(0, 1, (count, 2)) * SIZE for _ in range(2))
        agreed, rms = _agreed(places.T, raw, 9.0)
        assert log_chance(places.T, raw, agreed, rms, 0, 1) > -4


def test_clumps_count_as_what_they_are():
    """Two unrelated lists whose stars lie in the same clump agree by chance."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        places, raw = (rng.normal(1000, 40, (200, 2)) for _ in range(2))
        raw[0], raw[1] = [0, 0], SIZE
        agreed, rms = _agreed(places.T, raw, 5.0)
        assert agreed > 60
        assert log_chance(places.T, raw, agreed, rms, 0, 1) > -4


def test_more_trials_make_chance_likelier():
    """The odds rise in proportion to the transforms tried, and never above 1."""
    rng = np.random.default_rng(2)
    grid = rng.uniform(0, 1, (100, 2)) * SIZE
    one, many = (log_chance(grid.T, grid, 8, 0.2, 3, trials) for trials in (1, 1000))
    assert many - one == pytest.approx(3.0)
    assert log_chance(grid.T, grid, 3, 0.2, 3, 1) == 0.0


def test_places_beside_the_frame_do_not_agree():
    """Where no star of the grid falls into the frame, nothing speaks for a match."""
    raw = np.random.default_rng(3).uniform(0, 1, (50, 2)) * SIZE
    assert log_chance(raw.T + 9000, raw, 10, 0.2, 3, 1) == 0.0
