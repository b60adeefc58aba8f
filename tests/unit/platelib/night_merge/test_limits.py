import numpy as np
import pytest

from platelib.integration.rejection import Rejection, reject
from platelib.night_merge.limits import night_limits


def _found(n: int, rule: Rejection, sigmas: float) -> float:
    """Return the share of samples this many sigma off that are rejected among ``n`` subs."""
    rng = np.random.default_rng(n)
    values = (100 + 5 * rng.normal(size=(n, 100, 400))).astype(np.float32)
    values[0] += 5 * sigmas
    flags = reject(values, np.full_like(values, 25), np.full(n, 5.0), 100.0, rule)
    return float((flags[0] == 3).mean())


@pytest.mark.parametrize("n", [4, 5, 6, 10, 20])
def test_nights_find_what_many_subs_find(n):
    """Rays of 5.5 sigma are found as often as among 200 subs; by the whole limit, more rarely."""
    rule = Rejection("noise", 4.0, 4.0, 5, 0.0)
    many = _found(200, rule, 5.5)
    assert _found(n, night_limits(rule, n), 5.5) == pytest.approx(many, abs=0.015)
    assert n > 10 or _found(n, rule, 5.5) < many - 0.015


def test_false_alarms_stay_rare():
    """Of five subs without rays, a sample in two thousand at most is rejected as high."""
    rule = night_limits(Rejection("noise", 4.0, 4.0, 5, 0.0), 5)
    assert 0 < _found(5, rule, 0.0) < 1 / 2000


def test_other_methods_keep_their_limits():
    """Only limits of the method ``noise`` change, and only the one above."""
    rule = night_limits(Rejection("noise", 3.0, 4.0), 5)
    assert (rule.low, rule.high) == (3.0, pytest.approx(4 * 0.87))
    assert night_limits(Rejection("mad"), 5) == Rejection("mad")
