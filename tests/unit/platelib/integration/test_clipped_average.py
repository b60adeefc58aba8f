import numpy as np
import pytest

from platelib.integration.clipped_average import clipped_average
from platelib.integration.rejection import Rejection, reject
from platelib.integration.rejection_growth import grow
from platelib.integration.rejection_rules import INVALID, METHODS
from platelib.integration.weighted_mean import average


@pytest.mark.parametrize("grow_px", [0, 2])
@pytest.mark.parametrize("method", METHODS)
def test_one_pass_equals_its_three_steps(method, grow_px, trailed):
    """Rejecting, growing and averaging strip by strip gives the bits of one after the other."""
    values, variances, noise, _ = trailed(7)
    values, variances = (np.tile(plane, (1, 1, 7)) for plane in (values, variances))
    values[2, 5, 40:60] = np.nan
    part = np.s_[3:-4, 5:-6]
    rejection, weights = Rejection(method, 1.8, 1.8), np.linspace(0.5, 1, len(values))
    flags = np.isnan(values).astype(np.uint8)
    found = clipped_average(
        values, variances, noise, 100.0, rejection, weights, flags, grow_px, part
    )
    expected_flags = grow(
        values, variances, reject(values, variances, noise, 100.0, rejection), grow_px
    )
    expected = average(values, variances, weights, expected_flags, part)
    assert method == "none" or (expected_flags > INVALID).any()
    np.testing.assert_array_equal(flags[:, *part], expected_flags[:, *part])
    for one, other in zip(found.planes, expected.planes, strict=True):
        np.testing.assert_array_equal(one, other)
    np.testing.assert_array_equal(found.tally, expected.tally)
