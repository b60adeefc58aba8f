"""Order statistics by counting against sorting (`numpy.sort`, `numpy.median`)."""

import numpy as np
import pytest

from platelib.numerics.medians import mad_sigma, median_of
from platelib.numerics.radix_select import middle, ranked

RNG = np.random.default_rng(11)
CASES = {
    "noise": RNG.normal(100, 7, 60_001),
    "both signs": RNG.normal(0, 1e-3, (300, 200)),
    "two values": RNG.integers(0, 2, 70_000),
    "wide": RNG.lognormal(0, 20, 50_000),
    "equal": np.full(50_001, -3.25),
    "infinite": np.r_[RNG.normal(size=50_000), np.inf, -np.inf],
}


@pytest.mark.parametrize("name", CASES)
def test_ranks_are_those_of_sorting(name):
    """Any rank, from the smallest value to the largest."""
    values = CASES[name].astype(np.float32)
    ranks = [0, 1, values.size // 3, values.size // 2, values.size - 2, values.size - 1]
    assert ranked(values, ranks) == np.sort(values, axis=None)[ranks].tolist()


@pytest.mark.parametrize("name", CASES)
def test_deviations_are_ranked_as_their_array(name):
    """Deviations are taken in float32, as numpy does."""
    values = CASES[name].astype(np.float32)
    centre = np.float32(0.3)
    expected = np.sort(np.abs(values - centre), axis=None)
    assert ranked(values, [5, values.size // 2], centre) == expected[[5, values.size // 2]].tolist()
    assert middle(values, centre) == np.median(np.abs(values - centre))


@pytest.mark.parametrize("name", CASES)
def test_medians_of_many_values_are_numpys(name):
    """Median and deviation count many values; the result does not show it."""
    values = CASES[name].astype(np.float32)
    kept = values.copy()
    assert median_of(values) == np.median(values)
    deviation = np.median(np.abs(values - np.median(values)))
    assert mad_sigma(values) == pytest.approx(1.482602218505602 * float(deviation), rel=1e-14)
    np.testing.assert_array_equal(values, kept)


def test_other_types_keep_their_precision():
    """Doubles, and deviations from a double, are not rounded to float32."""
    values = RNG.normal(1e6, 1e-3, 60_000)
    assert median_of(values) == np.median(values)
    single = values.astype(np.float32)
    centre = np.float64(1e6 + 1e-4)
    assert mad_sigma(single, centre) == 1.482602218505602 * np.median(np.abs(single - centre))
