"""Medians of whole arrays."""

import numpy as np
import pytest
from astropy.stats import mad_std

from platelib.numerics.medians import mad_sigma, median_of


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("shape", [(1,), (2,), (1, 3), (7, 8), (31, 45), (12, 10, 4)])
def test_median_of_is_numpys(shape, dtype):
    """Of many values, of few, and where nearly all are the same: the same to the last bit."""
    rng = np.random.default_rng(6)
    for values in (rng.gamma(2, 3, shape), rng.integers(0, 2, shape), np.full(shape, 4.2)):
        values = values.astype(dtype)
        kept = values.copy()
        assert median_of(values) == np.median(values)
        np.testing.assert_array_equal(values, kept)


@pytest.mark.parametrize("size", [1, 2, 501, 1000])
def test_mad_sigma_is_astropys(size):
    """About the median the spread is `astropy.stats.mad_std`; about another centre it is wider."""
    values = np.random.default_rng(7).normal(3.0, 2.0, size)
    assert mad_sigma(values) == pytest.approx(mad_std(values), rel=1e-14)
    shifted = mad_sigma(values, 100.0)
    assert shifted == pytest.approx(1.482602218505602 * (100 - np.median(values)), rel=1e-14)
