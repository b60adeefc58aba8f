import numpy as np
import pytest

from platelib.integration.clipped_average import clipped_average
from platelib.integration.rejection import Rejection, reject
from platelib.integration.rejection_rules import HIGH, INVALID, METHODS
from platelib.numerics.mask_bits import SPIKE


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("n", [2, 3, 9])
def test_beside_a_spike_less_is_enough(method, n):
    """Of a spike 2 sigma above the others are rejected, half a sigma are not; nor is starlight."""
    values = np.full((n, 3, 400), 50, dtype=np.float32)
    values += 0.1 * np.random.default_rng(n).normal(size=values.shape).astype(np.float32)
    flags = np.zeros(values.shape, dtype=np.uint8)
    for x, excess in ((10, 2.0), (20, 0.5), (380, 2.0)):
        flags[1, 1, x] = SPIKE
        values[1, 1, x] += excess
    flags[1, 2, 50] = SPIKE
    values[:, 2, 50] += 20
    values[1, 2, 50] += 2
    values[0, 0, 5], flags[0, 0, 5] = np.nan, INVALID
    wide = {"sigma": 1e3, "mad": 1e6}.get(method, 4.0)
    rejection = Rejection(method, wide, wide, tolerance=0.0, esd_alpha=1e-9)
    found = reject(values, np.ones_like(values), np.ones(n), 50.0, rejection, flags.copy())
    wanted = np.zeros_like(flags)
    wanted[0, 0, 5] = INVALID
    if method != "none":
        wanted[1, 1, [10, 380]] = HIGH
    np.testing.assert_array_equal(found, wanted)
    weights = np.ones(n)
    result = clipped_average(values, np.ones_like(values), weights, 50.0, rejection, weights, flags)
    np.testing.assert_array_equal(flags, wanted)
    assert result.high.sum() == (wanted == HIGH).sum()
