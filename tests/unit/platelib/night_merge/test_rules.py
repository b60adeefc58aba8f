import numpy as np
import pytest

from platelib.integration.rejection_rules import HIGH, KEPT
from platelib.night_merge.rules import Rule, Stack, clip_weighted, weighted_median


def _stack(weights):
    weights = np.asarray(weights, dtype=np.float32)[:, None, None]
    ones = np.ones(len(weights), dtype=np.float32)
    return Stack(weights, weights, weights, ones, ones)


@pytest.mark.parametrize("n", [1, 2, 3, 8, 41])
def test_equal_weights_give_the_median(n):
    """With equal weights the weighted median is that of numpy, for odd and even numbers."""
    samples = np.random.default_rng(n).normal(size=n)
    order = np.argsort(samples)
    found = weighted_median(_stack(np.full(n, 0.1)).weights, 0, 0, samples, order, n)
    assert found == pytest.approx(np.median(samples), rel=1e-12)


def test_median_has_least_sum_of_weighted_distances():
    """No other sample has a smaller sum of distances, each over the noise of its sample."""
    rng = np.random.default_rng(5)
    for _ in range(50):
        weights, samples = rng.uniform(0.02, 1, 9), rng.normal(size=9)
        roots = np.sqrt(weights.astype(np.float32).astype(float))
        found = weighted_median(_stack(weights).weights, 0, 0, samples, np.argsort(samples), 9)
        sums = (roots[:, None] * abs(samples[:, None] - samples)).sum(axis=0)
        assert (roots * abs(samples - found)).sum() == pytest.approx(sums.min())


def test_deep_night_is_kept_among_noisy_subs():
    """Subs of five times its noise do not get a deep night rejected; the plain median would."""
    samples = np.array([0.0, 8.0, 9.0, 12.0, -2.0])
    spread, order = np.array([1.0, 25, 25, 25, 25]), np.empty(5, dtype=np.int64)
    state, rule = np.full(5, KEPT, dtype=np.uint8), Rule(True, 4.0, 4.0, 5, 0.0, 0.0)
    clip_weighted(_stack([1.0, 0.04, 0.04, 0.04, 0.04]), 0, 0, rule, samples, state, spread, order)
    assert np.median(samples) > 4.0
    assert (state == KEPT).all()


def test_three_shallow_nights_outvote_a_deep_one():
    """A night four times as deep as each of three others is rejected if it stands out."""
    samples = np.array([20.0, 0.5, -1.0, 1.5])
    spread, order = np.array([1.0, 4, 4, 4]), np.empty(4, dtype=np.int64)
    state, rule = np.full(4, KEPT, dtype=np.uint8), Rule(True, 4.0, 4.0, 5, 0.0, 0.0)
    clip_weighted(_stack([1.0, 0.25, 0.25, 0.25]), 0, 0, rule, samples, state, spread, order)
    assert state.tolist() == [HIGH, KEPT, KEPT, KEPT]
