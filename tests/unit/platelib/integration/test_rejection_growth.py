import numpy as np
import pytest

from platelib.integration.rejection import Rejection, reject
from platelib.integration.rejection_growth import grow
from platelib.integration.rejection_rules import HIGH, INVALID, KEPT, LOW
from platelib.integration.weighted_mean import average


def _stack(n: int, shape: tuple[int, int], share: float = 0.02):
    rng = np.random.default_rng(n)
    values = rng.normal(100, 5, (n, *shape)).astype(np.float32)
    variances = rng.uniform(10, 40, values.shape).astype(np.float32)
    odds = [1 - 3 * share, share, share, share]
    flags = rng.choice(np.arange(4, dtype=np.uint8), values.shape, p=odds)
    flags[0, 0, :] = KEPT
    flags[:, -1, :40] = rng.choice([INVALID, LOW, HIGH], (n, 1))
    values[flags == INVALID] = np.nan
    return values, variances, flags


def _grow(values, variances, flags, reach, threshold):
    """The rule, one sample after the other."""
    _, ny, nx = flags.shape
    grown = flags.copy()
    kept = flags == KEPT
    with np.errstate(invalid="ignore"):
        centre = np.where(kept, values, 0).sum(axis=0, dtype=np.float64) / kept.sum(axis=0)
    centre = centre.astype(np.float32)
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
    values, variances, flags = _stack(n, shape)
    expected = _grow(values, variances, flags, reach, 0.5)
    assert (expected != flags).any()
    np.testing.assert_array_equal(grow(values, variances, flags, reach, 0.5), expected)


def test_growing_leaves_its_input_alone():
    """The flags that were handed in are as before."""
    values, variances, flags = _stack(4, (20, 31))
    before = flags.copy()
    grow(values, variances, flags, 2, 0.0)
    np.testing.assert_array_equal(flags, before)


def test_grow_by_nothing_changes_nothing():
    """A reach of 0 returns the flags as they are."""
    values, variances, flags = _stack(4, (20, 31))
    assert grow(values, variances, flags, 0) is flags


def test_grow_takes_the_skirts_of_a_trail(trailed):
    """Growing takes at least half of what a trail leaves in its skirts."""
    values, variances, noise, trail = trailed(6)
    flags = reject(values, variances, noise, 100.0, Rejection())
    grown = grow(values, variances, flags, 2)
    skirt = (trail > 5) & (trail < 45)
    left = [
        (average(values, variances, np.ones(6), f).mean[skirt] - 100).mean() for f in (flags, grown)
    ]
    assert left[0] > 1.0
    assert left[1] < 0.5 * left[0]
    assert (grown[:, trail < 0.1] != KEPT).mean() < 0.002
    assert ((flags == KEPT) | (grown == flags)).all()


def test_grow_leaves_isolated_rejects_alone(exposed):
    """A rejected sample without a rejected neighbour takes nothing along."""
    rng = np.random.default_rng(7)
    values, variances, noise = exposed(rng, np.zeros((5, 60, 81)), np.full(5, 100.0), 100.0)
    values[2, 10:50:10, 10:70:10] += 5000
    flags = reject(values, variances, noise, 100.0, Rejection(low=8, high=8))
    assert np.count_nonzero(flags == HIGH) == 24
    np.testing.assert_array_equal(grow(values, variances, flags, 3), flags)
