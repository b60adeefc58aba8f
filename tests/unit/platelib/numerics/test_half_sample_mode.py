import numpy as np
import pytest

from platelib.numerics.half_sample_mode import density_peak, half_sample_mode


def test_the_mode_ignores_a_long_tail():
    """With two thirds of the values in a broad tail the mode is still where they crowd."""
    rng = np.random.default_rng(5)
    values = np.concatenate([rng.normal(3, 0.1, 1000), rng.uniform(3, 40, 2000)])
    assert half_sample_mode(values) == pytest.approx(3, abs=0.2)


def test_one_value_is_its_own_mode():
    """A single value, and a pair's middle."""
    assert half_sample_mode(np.array([4.0])) == 4
    assert half_sample_mode(np.array([4.0, 6.0])) == 5


def test_order_does_not_matter():
    """Shuffled values give the same mode, and are not sorted in place."""
    values = np.random.default_rng(5).normal(size=501)
    shuffled = values[::-1].copy()
    before = shuffled.copy()
    assert half_sample_mode(values) == half_sample_mode(shuffled)
    np.testing.assert_array_equal(shuffled, before)


def test_density_peaks_at_the_mode():
    """The peak of normal values is their mean within 0.04 sigma, also with a tail on one side."""
    for seed in range(5):
        rng = np.random.default_rng(seed)
        values = rng.normal(7, 2, 250_000)
        assert density_peak(values) == pytest.approx(7, abs=0.08)
        values[:50_000] += rng.exponential(20, 50_000)
        assert density_peak(values) == pytest.approx(7, abs=0.2)


def test_density_of_a_constant_peaks_at_it():
    """Values without spread, and a single one."""
    assert density_peak(np.full(50, 3.0)) == 3
    assert density_peak(np.array([4.0])) == 4
