import numpy as np
import pytest
from scipy import stats

from platelib.light_curves.significance import (
    false_discovery_rates,
    maximum_log_p,
    normal_log_p,
)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("trend", [0.0, 0.5])
def test_constant_stars_have_uniform_probabilities(seed, trend):
    """A share of p at most has a probability below p, though the width changes with brightness."""
    rng = np.random.default_rng(seed)
    magnitude = rng.uniform(8, 16, 4000)
    width = 1 + trend * (magnitude - 8)
    log_p = normal_log_p(rng.normal(0, 1, 4000) * width, magnitude, np.full(4000, 0.01))
    for p in (0.1, 0.01):
        assert 0.3 * p < (log_p < np.log(p)).mean() < 1.3 * p
    assert log_p.min() > np.log(1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_maxima_of_constant_stars_are_seldom_significant(seed):
    """Maxima of 300 normal values have probabilities that are not too small."""
    rng = np.random.default_rng(seed)
    statistic = rng.normal(0, 1, (3000, 300)).max(axis=1)
    log_p = maximum_log_p(statistic, rng.uniform(8, 16, 3000))
    assert (log_p < np.log(0.01)).mean() < 0.015
    assert log_p.min() > np.log(1e-5)


def test_variables_do_not_widen_the_distribution():
    """One star in ten far above leaves the others' probabilities as they are."""
    rng = np.random.default_rng(4)
    magnitude, statistic = rng.uniform(8, 16, 2000), rng.normal(0, 1, 2000)
    before = normal_log_p(statistic, magnitude, np.full(2000, 0.01))
    changed = statistic.copy()
    changed[::10] += 30
    after = normal_log_p(changed, magnitude, np.full(2000, 0.01))
    assert (after[::10] < np.log(1e-8)).all()
    rest = np.arange(2000) % 10 > 0
    assert np.median(after[rest] / np.minimum(before[rest], -1e-3)) == pytest.approx(1, abs=0.1)


def test_extreme_maxima_do_not_overflow():
    """Far maxima have the tail of the distribution, and no infinity."""
    statistic = np.concatenate([np.random.default_rng(1).normal(4, 0.3, 200), [1e6]])
    log_p = maximum_log_p(statistic, np.linspace(8, 16, 201))
    assert np.isfinite(log_p).all() and log_p[-1] < -1000


def test_rates_are_those_of_scipy():
    """False-discovery rates equal `scipy.stats.false_discovery_control`."""
    p = np.random.default_rng(2).uniform(0, 1, 300) ** 3
    np.testing.assert_allclose(
        false_discovery_rates(np.log(p)), stats.false_discovery_control(p), rtol=1e-9
    )
