import numpy as np
import pytest
from astropy.stats import mad_std

from platelib.combine import combine_block


def _frames(seed: int, n: int, shape=(60, 91)) -> np.ndarray:
    return np.random.default_rng(seed).normal(1000, 8, (n, *shape)).astype(np.float32)


@pytest.mark.parametrize("n", [1, 2])
def test_one_or_two_frames_are_averaged(n):
    """One or two frames give their plain mean."""
    frames = _frames(n, n)
    combined = combine_block(frames, 4.0)
    np.testing.assert_allclose(combined.mean, frames.mean(axis=0, dtype=np.float64), rtol=1e-7)
    assert (combined.count == n).all()
    assert not combined.struck.any()
    if n == 1:
        assert not combined.scatter.any()


def test_mean_equals_clipping_written_out():
    """The mean is that of what lies within 4 astropy.stats.mad_std, floored by the true spread."""
    frames = _frames(3, 15)
    rng = np.random.default_rng(4)
    frames[:, ::5, ::3] = 1000 + 40 * rng.normal(0, 1, frames[:, ::5, ::3].shape)
    frames[rng.random(frames.shape) < 0.01] += 500
    work = frames.astype(np.float64)
    for _ in range(3):
        distance = np.abs(work - np.nanmedian(work, axis=0))
        width = np.maximum(mad_std(work, axis=0, ignore_nan=True), 8)
        work[distance > 4 * width] = np.nan
    combined = combine_block(frames, 4.0)
    same = combined.count == np.isfinite(work).sum(axis=0)
    assert same.mean() > 0.998
    np.testing.assert_allclose(combined.mean[same], np.nanmean(work, axis=0)[same], rtol=2e-7)
    scatter = np.nanstd(work, axis=0, ddof=1)
    np.testing.assert_allclose(combined.scatter[same], scatter[same], rtol=1e-4)


@pytest.mark.parametrize("n", [3, 4, 8, 20])
def test_cosmic_rays_do_not_reach_the_master(n):
    """Strong strikes on single frames are gone and clean samples stay."""
    frames = _frames(n, n)
    clean = combine_block(frames, 4.0).mean
    struck = frames.copy()
    struck[1, ::7, ::9] += 3000
    combined = combine_block(struck, 4.0)
    assert np.abs(combined.mean - clean)[::7, ::9].max() < 30
    assert (combined.struck[::7, ::9] >= 1).all()
    others = np.ones(clean.shape, dtype=bool)
    others[::7, ::9] = False
    assert combined.struck[others].mean() / n < 0.0005


@pytest.mark.parametrize("n", [2, 3, 4, 6, 12, 30])
def test_variance_is_honest(n):
    """The variance of the mean is what the means scatter by, and no light is wasted: 3 %."""
    combined = combine_block(_frames(n + 30, n, (120, 151)), 4.0)
    assert combined.variance.mean() == pytest.approx(64 / n, rel=0.03)
    assert combined.mean.var() == pytest.approx(64 / n, rel=0.03)


def test_missing_data_stay_local():
    """A pixel without data in one frame takes the others; without any it is NaN."""
    frames = _frames(5, 6)
    before = combine_block(frames, 4.0)
    frames[2, 10, 20] = np.nan
    frames[:, 30, 40] = np.nan
    after = combine_block(frames, 4.0)
    assert after.count[10, 20] == before.count[10, 20] - 1
    assert np.isnan(after.mean[30, 40])
    same = np.ones(after.mean.shape, dtype=bool)
    same[10, 20] = same[30, 40] = False
    np.testing.assert_array_equal(before.mean[same], after.mean[same])
    assert np.isfinite(after.scatter).sum() >= same.sum()


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 20])
def test_constant_in_constant_out(n):
    """Equal frames give their value, without scatter."""
    combined = combine_block(np.full((n, 5, 8), 321.0, dtype=np.float32), 4.0)
    assert (combined.mean == 321).all()
    assert (combined.scatter == 0).all()
    assert (combined.count == n).all()
