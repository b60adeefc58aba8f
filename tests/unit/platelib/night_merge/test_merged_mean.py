import numpy as np

from platelib.integration.rejection import Rejection
from platelib.integration.rejection_rules import HIGH, KEPT, LOW
from platelib.integration.weighted_mean import average
from platelib.night_merge.merge import merge
from platelib.night_merge.samples import NightSamples


def test_mean_of_nights_is_that_of_one_pass():
    """Without rejection, mean and variance of night stacks are those of all subs at once."""
    rng = np.random.default_rng(2)
    nights, shape = [4, 7, 2], (9, 31)
    values = rng.normal(100, 5, (sum(nights), *shape)).astype(np.float32)
    values[rng.random(values.shape) < 0.1] = np.nan
    variances = rng.uniform(20, 30, values.shape).astype(np.float32)
    weights = rng.uniform(0.01, 0.05, len(values))
    flags = np.isnan(values).astype(np.uint8)
    once = average(values, variances, weights, flags)
    planes = []
    for subs in np.split(np.arange(len(values)), np.cumsum(nights)[:-1]):
        found = average(values[subs], variances[subs], weights[subs], flags[subs])
        kept = (weights[subs, None, None] * (flags[subs] == KEPT)).sum(axis=0)
        planes.append((found.mean, found.variance, kept, found.count, found.low, found.high))
    samples = NightSamples(*(np.stack(plane) for plane in zip(*planes, strict=True)))
    samples = samples._replace(weights=samples.weights.astype(np.float32))
    ones = np.ones(len(nights))
    missing = np.isnan(samples.values).astype(np.uint8)
    merged = merge(samples, missing, ones, ones, 0.0, Rejection("none"))
    np.testing.assert_allclose(merged.mean, once.mean, rtol=3e-7)
    np.testing.assert_allclose(merged.variance, once.variance, rtol=1e-6)
    np.testing.assert_array_equal(merged.count, once.count)
    total = (weights[:, None, None] * (flags == KEPT)).sum(axis=0)
    np.testing.assert_allclose(merged.weight, total, rtol=3e-7)


def test_subs_of_rejected_nights_are_rejected(stacked):
    """Kept subs of a rejected night count as rejected, beside those that nights rejected."""
    samples, flags, noise, full = stacked((8, 5, 12, 30), outliers=0.02, missing=0.05)
    merged = merge(samples, flags, noise, full, 100.0, Rejection())
    counts = samples.counts.astype(int)
    for mark, found, own in ((LOW, merged.low, samples.low), (HIGH, merged.high, samples.high)):
        assert (flags == mark).any()
        np.testing.assert_array_equal(found, (own + counts * (flags == mark)).sum(axis=0))
    np.testing.assert_array_equal(merged.count, (counts * (flags == KEPT)).sum(axis=0))


def test_pixel_without_data_has_weight_0(stacked):
    """Where no sample has data the mean is NaN, and weight and counts are 0."""
    samples, flags, noise, full = stacked((8, 5, 12))
    samples.values[:, 3, 4] = np.nan
    flags[:, 3, 4] = 1
    for plane in samples[3:]:
        plane[:, 3, 4] = 0
    merged = merge(samples, flags, noise, full, 100.0, Rejection())
    assert np.isnan(merged.mean[3, 4])
    assert np.isnan(merged.variance[3, 4])
    assert [plane[3, 4] for plane in merged.planes[2:]] == [0, 0, 0, 0]
    assert np.isfinite(merged.mean).sum() == merged.mean.size - 1
