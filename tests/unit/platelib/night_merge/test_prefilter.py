"""The prefilter changes no flag: beside it, the rule in numpy for each pixel."""

import numpy as np
import pytest

from platelib.integration.rejection import Rejection
from platelib.integration.rejection_rules import EXCESS, HIGH, INVALID, KEPT, LOW
from platelib.night_merge.merge import merge
from platelib.night_merge.offsets import FloorTable

SKY = 95.0


def _median(samples, roots):
    order = np.argsort(samples)
    below = np.cumsum(roots[order])
    k = int(np.searchsorted(2 * below, below[-1] * (1 - 1e-9)))
    if 2 * below[k] <= below[-1] * (1 + 1e-9):
        return 0.5 * (samples[order[k]] + samples[order[k + 1]])
    return samples[order[k]]


def _flags_of_pixel(values, variances, weights, noise, full, rule, scatter, offset):
    """The rule for one pixel."""
    state = np.where(np.isnan(values), INVALID, KEPT)
    kept = state == KEPT
    if not kept.any():
        return state
    sky = noise**2 * full / weights
    typical = np.median((variances / sky)[kept])
    spread = scatter**2 * np.minimum(variances, EXCESS * typical * sky) + offset**2
    centre_variance = 0.9 / (1 / spread[kept]).sum()
    for _ in range(rule.max_iterations):
        kept = np.flatnonzero(state == KEPT)
        if len(kept) < 3:
            break
        centre = _median(values[kept], np.sqrt(weights[kept]))
        width = np.sqrt(
            spread[kept] + centre_variance + (rule.tolerance * max(centre - SKY, 0)) ** 2
        )
        low = values[kept] < centre - rule.low * width
        high = values[kept] > centre + rule.high * width
        state[kept[low]], state[kept[high]] = LOW, HIGH
        if not (low | high).any():
            break
    return state


@pytest.mark.parametrize("depths", [(5, 5, 5), (40, 10, 5, 1, 1, 1), (5,) * 13, (40, 3, 1) * 8])
@pytest.mark.parametrize("limit", [4.0, 2.0])
def test_flags_are_those_of_the_rule(depths, limit, stacked):
    """Flags of all pixels are those of the exact rule, with outliers, edges and missing data."""
    samples, flags, noise, full = stacked(depths, (12, 300), len(depths), 0.02, 0.05)
    samples.variances[:, ::3] *= 1.7
    samples.variances[0, 1::5] *= 4
    rng = np.random.default_rng(3)
    cells = (1, 3, len(depths))
    floors = FloorTable(rng.uniform(1, 1.5, cells), rng.normal(0, 0.5, cells), 0, 0, 128)
    rule = Rejection("noise", limit, limit + 0.3, 5, 0.02)
    found = merge(samples, flags, noise, full, SKY, rule, floors=floors)
    planes = [plane.astype(np.float64) for plane in samples[:3]]
    expected = np.empty(flags.shape, dtype=np.uint8)
    for y, x in np.ndindex(*flags.shape[1:]):
        pixel = [plane[:, y, x] for plane in planes]
        of_cell = floors.scatter[0, x // 128], floors.offset[0, x // 128]
        expected[:, y, x] = _flags_of_pixel(*pixel, noise, full, rule, *of_cell)
    assert {LOW, HIGH} <= set(np.unique(expected))
    np.testing.assert_array_equal(flags, expected)
    tally = np.stack([(expected == k).sum(axis=(1, 2)) for k in (INVALID, LOW, HIGH)], axis=1)
    np.testing.assert_array_equal(found.tally, tally)
