import numpy as np
import pytest

from platelib.light_curves.events import find_events, isolated_outliers

NIGHT = np.repeat([0, 1, 2], 40)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("sign", "start", "length"), [(1, 50, 3), (-1, 45, 16), (-1, 80, 6)])
def test_an_event_is_found_where_it_is(seed, sign, start, length):
    """A change of 4 sigma over some subs is found at its place, with its size within 4 errors."""
    rng = np.random.default_rng(seed)
    deviation = rng.normal(0, 0.01, (120, 3))
    deviation[start : start + length, 1] += sign * 0.04
    found = find_events(deviation, np.full((120, 3), 0.01), NIGHT, sign)
    assert found.strength.argmax() == 1
    overlap = min(found.last[1] + 1, start + length) - max(found.first[1], start)
    assert overlap >= 0.7 * length
    assert found.size[1] * sign > 0.02
    assert found.error[1] == pytest.approx(0.01 / np.sqrt(found.last[1] - found.first[1] + 1))


def test_a_single_outlier_is_no_event():
    """50 sigma in one sub are as strong as none."""
    deviation = np.random.default_rng(1).normal(0, 0.01, (120, 2))
    deviation[:, 1] = deviation[:, 0]
    deviation[60, 1] += 0.5
    found = find_events(deviation, np.full((120, 2), 0.01), NIGHT, 1)
    assert found.strength[1] < found.strength[0] + 1.5


def test_strength_is_the_greatest_over_all_runs():
    """It equals that of a slow search over starts and lengths, with gaps."""
    rng = np.random.default_rng(3)
    deviation = rng.normal(0, 0.01, (120, 5))
    deviation[rng.random(deviation.shape) < 0.15] = np.nan
    error = rng.uniform(0.008, 0.012, deviation.shape)
    found = find_events(deviation, error, NIGHT, -1)
    for star in range(5):
        best = 0.0
        for length in (3, 4, 6, 8, 12, 16):
            for start in range(120 - length + 1):
                part = slice(start, start + length)
                u = -(deviation / error)[part, star]
                u = u[np.isfinite(u)]
                if NIGHT[start] == NIGHT[start + length - 1] and len(u) >= 3:
                    best = max(best, (u.sum() - u.max()) / np.sqrt(len(u) - 1))
        assert found.strength[star] == pytest.approx(best)


def test_isolated_outliers_have_no_neighbours():
    """One measurement off is isolated; two in a row, and those of a strong variable, are not."""
    deviation = np.random.default_rng(2).normal(0, 0.5, (120, 3))
    deviation[20, 0] = 12
    deviation[[60, 61], 1] = 12, 9
    deviation[:, 2] = 20 * np.sin(np.arange(120) / 3)
    found = isolated_outliers(deviation, NIGHT)
    assert np.flatnonzero(found[:, 0]).tolist() == [20]
    assert not found[:, 1:].any()
