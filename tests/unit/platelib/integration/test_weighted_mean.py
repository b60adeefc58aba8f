"""The kernels of averaging against themselves written out sample by sample."""

import numpy as np
import pytest

from platelib.integration.rejection_rules import HIGH, INVALID, KEPT, LOW
from platelib.integration.weighted_mean import average


def _stack(n: int, shape: tuple[int, int], share: float = 0.02):
    rng = np.random.default_rng(n)
    values = rng.normal(100, 5, (n, *shape)).astype(np.float32)
    variances = rng.uniform(10, 40, values.shape).astype(np.float32)
    weights = rng.uniform(0.2, 3, n)
    odds = [1 - 3 * share, share, share, share]
    flags = rng.choice(np.arange(4, dtype=np.uint8), values.shape, p=odds)
    flags[0, 0, :] = KEPT
    flags[:, -1, :40] = rng.choice([INVALID, LOW, HIGH], (n, 1))
    values[flags == INVALID] = np.nan
    return values, variances, weights, flags


def _average(values, variances, weights, flags):
    """Sums in double precision, one sample after the other."""
    total, spread, weight = np.zeros((3, *values.shape[1:]))
    for value, variance, w, flag in zip(values, variances, weights, flags, strict=True):
        kept = flag == KEPT
        total = np.where(kept, total + w * value.astype(np.float64), total)
        spread = np.where(kept, spread + w * w * variance.astype(np.float64), spread)
        weight = np.where(kept, weight + w, weight)
    with np.errstate(invalid="ignore"):
        mean, noise = total / weight, spread / (weight * weight)
    return mean.astype(np.float32), noise.astype(np.float32)


@pytest.mark.parametrize("share", [0.0, 0.0005, 0.1])
@pytest.mark.parametrize("n", [1, 2, 3, 7, 40, 300])
def test_average_equals_sums_in_order(n, share):
    """Mean, variance and counts equal sums in the order of the stack to the last bit."""
    values, variances, weights, flags = _stack(n, (3, 1101), share)
    result = average(values, variances, weights, flags)
    mean, variance = _average(values, variances, weights, flags)
    np.testing.assert_array_equal(result.mean, mean)
    np.testing.assert_array_equal(result.variance, variance)
    for name, flag in (("count", KEPT), ("low", LOW), ("high", HIGH)):
        np.testing.assert_array_equal(getattr(result, name), (flags == flag).sum(axis=0))


def test_average_of_a_part_is_that_part_of_the_whole():
    """What is asked for, and views of a larger block, give the same bits as the whole."""
    values, variances, weights, flags = _stack(6, (9, 70))
    whole = average(values, variances, weights, flags)
    inner = np.s_[2:7, 3:68]
    part = average(values, variances, weights, flags, inner)
    cut = (slice(None), *inner)
    view = average(values[cut], variances[cut], weights, flags[cut])
    for name in ("mean", "variance", "count", "low", "high"):
        expected = getattr(whole, name)[inner]
        np.testing.assert_array_equal(getattr(part, name), expected)
        np.testing.assert_array_equal(getattr(view, name), expected)
    for result in (part, view):
        tally = [[np.count_nonzero(f == kind) for kind in (INVALID, LOW, HIGH)] for f in flags[cut]]
        np.testing.assert_array_equal(result.tally, tally)
