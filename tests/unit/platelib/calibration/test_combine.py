import numpy as np
import pytest
from astropy.stats import mad_std

from platelib.calibration import combine
from platelib.calibration.combine import Combined, combine_block


def _frames(seed: int, n: int, shape=(60, 91)) -> np.ndarray:
    return np.random.default_rng(seed).normal(1000, 8, (n, *shape)).astype(np.float32)


@pytest.mark.parametrize("n", [1, 2])
def test_one_or_two_frames_are_averaged(n):
    """One or two frames give their plain mean."""
    frames = _frames(n, n)
    combined = combine_block(frames, 4.0)
    np.testing.assert_allclose(combined.mean, frames.mean(axis=0, dtype=np.float64), rtol=1e-7)
    assert (combined.count == n).all()
    if n == 1:
        assert not combined.variance.any()


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
    variance = np.nanvar(work, axis=0, ddof=1) / combined.count
    np.testing.assert_allclose(combined.variance[same], variance[same], rtol=1e-4)


@pytest.mark.parametrize("n", [3, 4, 8, 20])
def test_cosmic_rays_do_not_reach_the_master(n):
    """Strong strikes on single frames are gone and clean samples stay."""
    frames = _frames(n, n)
    clean = combine_block(frames, 4.0).mean
    struck = frames.copy()
    struck[1, ::7, ::9] += 3000
    combined = combine_block(struck, 4.0)
    assert np.abs(combined.mean - clean)[::7, ::9].max() < 30
    assert (combined.count[::7, ::9] < n).all()
    others = np.ones(clean.shape, dtype=bool)
    others[::7, ::9] = False
    assert 1 - combined.count[others].mean() / n < 0.0005


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
    np.testing.assert_array_equal(before.variance[same], after.variance[same])
    assert np.isnan(after.variance[30, 40])


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 20])
def test_constant_in_constant_out(n):
    """Equal frames give their value, without scatter."""
    combined = combine_block(np.full((n, 5, 8), 321.0, dtype=np.float32), 4.0)
    assert (combined.mean == 321).all()
    assert (combined.variance == 0).all()
    assert (combined.count == n).all()


PLANES = ("mean", "variance", "count")


@pytest.mark.parametrize("n", [2, 6])
def test_words_of_a_file_are_values_less_32768(n):
    """Big-endian words, an offset and factors give what values calculated beforehand give."""
    rng = np.random.default_rng(n)
    counts = np.clip(rng.normal(900, 8, (n, 40, 57)), 0, 65535).round()
    counts[0, 3, 4], counts[1, 5, 6] = 0, 65535
    offset = rng.normal(500, 3, (40, 57)).astype(np.float32)
    factors = rng.uniform(0.5, 2, n)
    words = [(frame - 32768).astype(">i2") for frame in counts]
    scale = factors.astype(np.float32)[:, None, None]
    plain = combine_block((counts.astype(np.float32) - offset) * scale, 4.0)
    out = Combined.of_shape((40, 57))
    assert combine_block(words, 4.0, offset.astype(">f4"), list(factors), out) is out
    for name in PLANES:
        np.testing.assert_array_equal(getattr(out, name), getattr(plain, name))


@pytest.mark.parametrize("cached", [1, 60_000, 200_000])
def test_rows_at_a_time_do_not_count(monkeypatch, cached):
    """The same bits come out however many rows are worked on at a time."""
    frames = _frames(8, 7, (61, 90))
    frames[2, ::5, ::7] += 300
    frames[4, 10, 20:30] = np.nan
    whole = combine_block(frames, 4.0)
    monkeypatch.setattr(combine, "_CACHED", cached)
    parts = combine_block(frames, 4.0)
    for name in PLANES:
        np.testing.assert_array_equal(getattr(parts, name), getattr(whole, name))


def test_words_and_values_may_be_mixed():
    """A compressed frame among plain ones counts as any other."""
    counts = np.random.default_rng(8).normal(900, 8, (5, 30, 41)).round()
    words = [(frame - 32768).astype(">i2") for frame in counts]
    mixed = [*words[:2], counts[2].astype(np.float32), *words[3:]]
    for name in PLANES:
        expected = getattr(combine_block(words, 4.0), name)
        np.testing.assert_array_equal(getattr(combine_block(mixed, 4.0), name), expected)


@pytest.mark.parametrize("n", [3, 5, 20])
def test_the_floor_is_the_noise_of_the_median_pixel(n):
    """Of clean frames few samples are struck: at 3 sigma not many more than the normal law says."""
    combined = combine_block(_frames(n + 60, n, (64, 1300)), 3.0)
    struck = 1 - combined.count.mean() / n
    assert struck < 1.5 * 0.0027


def test_noise_that_varies_along_the_row_has_floors_that_follow():
    """Three times the noise at one end of a row strikes there no more than at the other."""
    frames = _frames(9, 8, (64, 1536))
    frames[..., 1024:] = 1000 + 3 * (frames[..., 1024:] - 1000)
    count = combine_block(frames, 4.0).count
    assert 1 - count[:, 1024:].mean() / 8 < 0.0005
