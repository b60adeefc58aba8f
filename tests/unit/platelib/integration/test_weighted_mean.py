"""The kernels of averaging and growing against themselves written out sample by sample."""

import numpy as np
import pytest

from platelib.integration.rejection import HIGH, INVALID, KEPT, LOW
from platelib.integration.weighted_mean import average, grow


def _stack(n: int, shape: tuple[int, int], struck: float = 0.02):
    rng = np.random.default_rng(n)
    values = rng.normal(100, 5, (n, *shape)).astype(np.float32)
    variances = rng.uniform(10, 40, values.shape).astype(np.float32)
    weights = rng.uniform(0.2, 3, n)
    odds = [1 - 3 * struck, struck, struck, struck]
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


@pytest.mark.parametrize("struck", [0.0, 0.0005, 0.1])
@pytest.mark.parametrize("n", [1, 2, 3, 7, 40, 300])
def test_average_equals_sums_in_order(n, struck):
    """Mean, variance and counts equal sums in the order of the stack to the last bit."""
    values, variances, weights, flags = _stack(n, (3, 1101), struck)
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


def _grow(values, variances, flags, reach, threshold):
    """The rule, one sample after the other."""
    n, ny, nx = flags.shape
    grown = flags.copy()
    centre, _ = _average(values, variances, np.ones(n), flags)
    for i, y, x in np.argwhere(flags >= LOW):
        mark = flags[i, y, x]
        near = np.s_[max(0, y - 1) : y + 2, max(0, x - 1) : x + 2]
        if np.count_nonzero(flags[i][near] == mark) < 2:
            continue
        sign = 1.0 if mark == HIGH else -1.0
        for v in range(max(0, y - reach), min(ny, y + reach + 1)):
            for u in range(max(0, x - reach), min(nx, x + reach + 1)):
                if flags[i, v, u] != KEPT or (v - y) ** 2 + (u - x) ** 2 > reach * reach:
                    continue
                excess = sign * (values[i, v, u] - centre[v, u])
                if excess > threshold * np.sqrt(variances[i, v, u]):
                    grown[i, v, u] = mark
    return grown


@pytest.mark.parametrize("reach", [1, 2, 5])
@pytest.mark.parametrize("n", [2, 9, 300])
def test_growing_equals_the_rule(n, reach):
    """Grown flags equal those found sample by sample, at edges and where signs meet."""
    shape = (5, 17) if n == 300 else (23, 211)
    values, variances, _, flags = _stack(n, shape)
    expected = _grow(values, variances, flags, reach, 0.5)
    assert (expected != flags).any()
    np.testing.assert_array_equal(grow(values, variances, flags, reach, 0.5), expected)


def test_growing_leaves_its_input_alone():
    """The flags that were handed in are as before."""
    values, variances, _, flags = _stack(4, (20, 31))
    before = flags.copy()
    grow(values, variances, flags, 2, 0.0)
    np.testing.assert_array_equal(flags, before)
