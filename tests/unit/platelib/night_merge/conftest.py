"""Samples of nights of unequal depth, for the tests of their merge."""

import numpy as np
import pytest

from platelib.night_merge.samples import NightSamples

SKY = 100.0


@pytest.fixture
def stacked():
    """A function that draws samples of a flat sky."""
    return _stacked


def _stacked(depths, shape=(40, 300), seed=1, outliers=0.0, missing=0.0):
    """Samples of nights with these numbers of subs of variance 25; flags, noise and full weights.

    A share of the samples lies 5 to 60 sigma off; a share of them has no data.
    """
    rng = np.random.default_rng(seed)
    n, depths = len(depths), np.asarray(depths)
    counts = np.broadcast_to(depths[:, None, None], (n, *shape)).copy()
    # At edges, fewer subs remain of a night.
    counts[:, :6] = rng.integers(1, depths[:, None, None] + 1, (n, 6, shape[1]))
    variances = 25.0 / counts
    values = SKY + rng.normal(size=counts.shape) * np.sqrt(variances)
    hit = rng.random(counts.shape) < outliers
    side = rng.choice((-1, 1), counts.shape)
    values += np.where(hit, side * rng.uniform(5, 60, counts.shape) * np.sqrt(variances), 0)
    values[rng.random(counts.shape) < missing] = np.nan
    known = ~np.isnan(values)
    samples = NightSamples(
        values.astype(np.float32),
        variances.astype(np.float32),
        (counts / 25).astype(np.float32),
        np.where(known, counts, 0).astype(np.int16),
        np.where(known, 1, 0).astype(np.int16),
        np.where(known, 2, 0).astype(np.int16),
    )
    return samples, (~known).astype(np.uint8), np.sqrt(25 / depths), depths / 25.0
