import numpy as np
import pytest
from astropy.stats import mad_std, sigma_clip

from platelib.integration.rejection import Rejection, reject
from platelib.integration.rejection_growth import grow
from platelib.integration.rejection_rules import HIGH, INVALID, KEPT, LOW, METHODS, esd_limits
from platelib.integration.weighted_mean import average
from platelib.simulate.psf import add_stars, moffat_image

ROSNER = """-0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69
1.70 1.76 1.77 1.81 1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40
2.47 2.54 2.62 2.64 2.90 2.92 2.92 2.93 3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01"""
"""The 54 values of Rosner (1983), Technometrics 25, 165, as in the NIST/SEMATECH e-Handbook of
Statistical Methods, 1.3.5.17.3; values from memory."""


def _stack(seed: int, n: int, shape=(37, 53)) -> np.ndarray:
    """Clean samples about 50 with outliers on both sides and missing data."""
    rng = np.random.default_rng(seed)
    values = rng.normal(50, 5, (n, *shape))
    values[rng.random(values.shape) < 0.03] += 200
    values[rng.random(values.shape) < 0.02] -= 60
    values[rng.random(values.shape) < 0.05] = np.nan
    values[:, 0, 0] = np.nan
    return values.astype(np.float32)


def _flags(values: np.ndarray, rejection: Rejection) -> np.ndarray:
    return reject(values, np.ones_like(values), np.ones(len(values)), 0.0, rejection)


@pytest.mark.parametrize("n", [4, 7, 12, 25])
@pytest.mark.parametrize("limit", [2.0, 3.0])
def test_sigma_flags_equal_astropy(n, limit):
    """`sigma` rejects what astropy.stats.sigma_clip about the median rejects, NaN included."""
    values = _stack(n, n)
    clipped = sigma_clip(
        np.ma.masked_invalid(values.astype(np.float64)),
        sigma=limit,
        maxiters=5,
        cenfunc="median",
        stdfunc="std",
        axis=0,
    )
    flags = _flags(values, Rejection("sigma", limit, limit))
    np.testing.assert_array_equal(flags != KEPT, clipped.mask)
    np.testing.assert_array_equal(flags == INVALID, np.isnan(values))


def test_sigma_mean_equals_astropy_and_a_weighted_mean():
    """Clipped, weighted mean and variance equal those through astropy to 1e-6 relative."""
    values = _stack(3, 11)
    rng = np.random.default_rng(4)
    weights = rng.uniform(0.2, 1, 11)
    variances = rng.uniform(10, 40, values.shape).astype(np.float32)
    clipped = sigma_clip(
        np.ma.masked_invalid(values.astype(np.float64)),
        sigma_lower=3,
        sigma_upper=2.5,
        maxiters=5,
        cenfunc="median",
        stdfunc="std",
        axis=0,
    )
    w = np.where(clipped.mask, 0, weights[:, None, None])
    with np.errstate(invalid="ignore"):
        mean = (w * clipped.filled(0)).sum(axis=0) / w.sum(axis=0)
        variance = (w**2 * variances).sum(axis=0) / w.sum(axis=0) ** 2
    result = average(values, variances, weights, _flags(values, Rejection("sigma", 3, 2.5)))
    np.testing.assert_allclose(result.mean, mean, rtol=1e-6)
    np.testing.assert_allclose(result.variance, variance, rtol=1e-6)
    np.testing.assert_array_equal(result.count, (~clipped.mask).sum(axis=0))


@pytest.mark.parametrize("n", [5, 8, 21])
def test_mad_equals_an_obvious_reference(n):
    """`mad` equals clipping about the median by astropy.stats.mad_std, written out."""
    values = _stack(n + 50, n)
    work = values.astype(np.float64)
    for _ in range(5):
        with np.errstate(all="ignore"), pytest.warns(RuntimeWarning, match="All-NaN"):
            centre = np.nanmedian(work, axis=0)
            width = mad_std(work, axis=0, ignore_nan=True)
        few = np.isfinite(work).sum(axis=0) < 3
        work[(np.abs(work - centre) > 3.0 * width) & ~few] = np.nan
    flags = _flags(values, Rejection("mad", 3.0, 3.0))
    np.testing.assert_array_equal(flags != KEPT, np.isnan(work))


def test_mad_equals_astropy_called_with_functions():
    """`mad` equals sigma_clip given the functions themselves, which keeps to its plain path."""
    values = _stack(9, 9)
    values[:, 0, 0] = 50.0

    def centre(data, axis):
        return np.nanmedian(data, axis=axis)

    def width(data, axis):
        return mad_std(data, axis=axis, ignore_nan=True)

    clipped = sigma_clip(
        np.ma.masked_invalid(values.astype(np.float64)),
        sigma=4,
        maxiters=5,
        cenfunc=centre,
        stdfunc=width,
        axis=0,
    )
    np.testing.assert_array_equal(_flags(values, Rejection("mad")) != KEPT, clipped.mask)


def test_esd_finds_rosners_outliers():
    """`esd` finds the three outliers of Rosner's example at 5 %, with his critical values."""
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3, values from memory.
    published = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.112, 3.103, 3.094, 3.085]
    np.testing.assert_allclose(esd_limits(54, 0.05)[54, 1:11], published, atol=1.1e-3)
    samples = np.array(ROSNER.split(), dtype=np.float32)
    assert samples.size == 54
    flags = _flags(samples[:, None, None], Rejection("esd", esd_alpha=0.05)).ravel()
    np.testing.assert_array_equal(samples[flags == HIGH], np.float32([5.34, 5.42, 6.01]))
    assert np.count_nonzero(flags) == 3


@pytest.mark.parametrize(("n", "most"), [(5, 0.1), (8, 0.1), (12, 0.1), (30, 0.065), (54, 0.065)])
def test_esd_keeps_its_level_on_clean_samples(n, most):
    """On clean samples `esd` strikes in about alpha of the pixels, at most twice that for few."""
    values = np.random.default_rng(5).normal(0, 1, (n, 60, 101)).astype(np.float32)
    struck = (_flags(values, Rejection("esd", esd_alpha=0.05)) != KEPT).any(axis=0).mean()
    assert 0.04 < struck < most


@pytest.mark.parametrize("n", [4, 5, 6, 8])
def test_noise_takes_cosmic_rays_and_little_else(n, exposed):
    """With 4 to 8 subs `noise` takes cosmic rays out and under 0.2 % of clean samples."""
    rng = np.random.default_rng(n)
    shape = (n, 150, 201)
    skies = rng.uniform(80, 160, n)
    values, variances, noise = exposed(rng, np.zeros(shape), skies, 120.0)
    clean = reject(values, variances, noise, 120.0, Rejection("noise"))
    assert (clean != KEPT).mean() < 0.002
    hit = rng.random(shape) < 0.01
    hit &= hit.sum(axis=0) == 1
    strength = 6 * 10 ** rng.uniform(0, 2, shape)
    ray = np.where(hit, strength * noise[:, None, None], 0).astype(np.float32)
    flags = reject(values + ray, variances + ray, noise, 120.0, Rejection("noise"))
    assert (flags[hit] == HIGH).mean() > 0.985
    strong = hit & (strength > 8)
    assert (flags[strong] == HIGH).mean() > 0.999
    assert (flags[~hit] != KEPT).mean() < 0.002


@pytest.mark.parametrize("n", [4, 8])
def test_noise_keeps_stars_while_the_seeing_changes(n, exposed):
    """Cores of stars stay, and fluxes within 0.1 %, while the seeing changes by 30 %."""
    rng = np.random.default_rng(n)
    x, y = np.meshgrid(np.arange(20, 221, 25.0), np.arange(20, 141, 25.0))
    x, y = x.ravel() + rng.uniform(-1, 1, x.size), y.ravel() + rng.uniform(-1, 1, x.size)
    flux = 10 ** rng.uniform(3, 6, x.size)
    light = np.zeros((n, 160, 241), dtype=np.float32)
    for plane, fwhm in zip(light, rng.permutation(np.linspace(2.5, 3.25, n)), strict=True):
        add_stars(plane, x, y, flux, moffat_image(fwhm, 3.3))
    values, variances, noise = exposed(rng, light, np.full(n, 120.0), 120.0)
    flags = reject(values, variances, noise, 120.0, Rejection("noise"))
    middle = np.median(light, axis=0)
    assert (flags[:, middle > 500] != KEPT).mean() < 0.002
    assert (flags[:, middle > 50] != KEPT).mean() < 0.01
    kept = average(values, variances, np.ones(n), flags).mean
    for k in np.flatnonzero(flux > 2e4):
        box = np.s_[int(y[k]) - 8 : int(y[k]) + 9, int(x[k]) - 8 : int(x[k]) + 9]
        assert kept[box].sum() == pytest.approx(values.mean(axis=0)[box].sum(), rel=1e-3)


def test_noise_allows_for_subs_that_resampling_smoothed_less():
    """A sub whose pixels are noisier than the others' after resampling is not eaten away."""
    rng = np.random.default_rng(12)
    spread = np.array([1.0, 0.7, 0.75, 0.65, 0.8, 0.7])
    values = 100 + rng.normal(0, 5, (6, 150, 201)) * np.sqrt(spread)[:, None, None]
    variances = np.broadcast_to(25 * spread[:, None, None], values.shape).astype(np.float32)
    flags = reject(values.astype(np.float32), variances, np.full(6, 5.0), 100.0, Rejection())
    assert (flags[0] != KEPT).mean() < 0.002


@pytest.mark.parametrize("method", METHODS)
def test_clean_data_keep_the_noise_of_the_best_mean(method):
    """On clean data the result is within 2 % of the noise of the optimum weighted mean.

    `mad` needs some twenty samples for that: fewer do not tell their spread.
    """
    rng = np.random.default_rng(8)
    n = 24 if method == "mad" else 8
    sigma = rng.uniform(8, 12, n)
    values = (100 + rng.normal(0, 1, (n, 150, 201)) * sigma[:, None, None]).astype(np.float32)
    variances = np.broadcast_to((sigma**2)[:, None, None], values.shape).astype(np.float32)
    flags = reject(values, variances, sigma, 100.0, Rejection(method))
    grown = grow(values, variances, flags, 2)
    result = average(values, variances, 1 / sigma**2, grown)
    assert result.mean.std() < 1.02 / np.sqrt(np.sum(sigma**-2))


def test_variance_is_honest(exposed):
    """(mean - truth) / sqrt(variance) has unit scatter, over sky and over light."""
    rng = np.random.default_rng(9)
    light = np.zeros((8, 160, 201), dtype=np.float32)
    light[:, :, 100:] = 400
    values, variances, noise = exposed(rng, light, rng.uniform(80, 200, 8), 100.0)
    flags = grow(values, variances, reject(values, variances, noise, 100.0, Rejection()), 2)
    result = average(values, variances, 1 / noise**2, flags)
    pull = (result.mean - 100 - light[0]) / np.sqrt(result.variance)
    assert pull[:, :100].std() == pytest.approx(1, abs=0.03)
    assert pull[:, 100:].std() == pytest.approx(1, abs=0.03)


@pytest.mark.parametrize("method", METHODS)
def test_blocks_equal_the_whole(method, trailed):
    """Blocks that overlap by the reach and one give the same bits as the whole."""
    values, variances, noise, _ = trailed(10)
    reach = 2
    flags = reject(values, variances, noise, 100.0, Rejection(method, 3, 3))
    whole = grow(values, variances, flags, reach)
    weights = np.linspace(0.5, 1, 6)
    mean = average(values, variances, weights, whole).mean
    for top, bottom in ((0, 17), (17, 60), (60, 120)):
        start, stop = max(0, top - reach - 1), min(120, bottom + reach + 1)
        part, spread = values[:, start:stop].copy(), variances[:, start:stop].copy()
        block = reject(part, spread, noise, 100.0, Rejection(method, 3, 3))
        block = grow(part, spread, block, reach)[:, top - start : bottom - start]
        np.testing.assert_array_equal(block, whole[:, top:bottom])
        inner = np.s_[:, top - start : bottom - start]
        result = average(part[inner], spread[inner], weights, block)
        np.testing.assert_array_equal(result.mean, mean[top:bottom])


def test_scale_of_the_weights_is_irrelevant():
    """Weights times a constant give the same mean and variance."""
    values = _stack(11, 6)
    variances = np.full_like(values, 25)
    flags = _flags(values, Rejection("mad"))
    weights = np.linspace(0.3, 1, 6)
    one, other = (average(values, variances, k * weights, flags) for k in (1, 1024))
    np.testing.assert_array_equal(one.mean, other.mean)
    np.testing.assert_array_equal(one.variance, other.variance)


@pytest.mark.parametrize("method", METHODS)
def test_constant_in_constant_out(method):
    """A stack of one value gives that value, with nothing rejected."""
    values = np.full((7, 9, 14), 123.456, dtype=np.float32)
    flags = reject(values, values, np.ones(7), 0.0, Rejection(method))
    assert not flags.any()
    result = average(values, values, np.linspace(0.1, 1, 7), grow(values, values, flags, 2))
    np.testing.assert_allclose(result.mean, np.float32(123.456), rtol=1e-7)
    assert (result.count == 7).all()


@pytest.mark.parametrize("method", METHODS)
def test_missing_data_stay_local(method, exposed):
    """NaN samples are left out where they are and change nothing elsewhere."""
    rng = np.random.default_rng(13)
    values, variances, noise = exposed(rng, np.zeros((6, 40, 51)), np.full(6, 100.0), 100.0)
    holed, spread = values.copy(), variances.copy()
    holed[2, 10:14, 20:25] = np.nan
    holed[:, 30, 40] = np.nan
    spread[np.isnan(holed)] = np.nan
    results = []
    for data, var in ((values, variances), (holed, spread)):
        flags = reject(data, var, noise, 100.0, Rejection(method))
        results.append(average(data, var, np.ones(6), flags))
    changed = np.isnan(holed).any(axis=0)
    for name in ("mean", "variance", "count", "low", "high"):
        before, after = getattr(results[0], name), getattr(results[1], name)
        np.testing.assert_array_equal(before[~changed], after[~changed])
    assert np.isnan(results[1].mean[30, 40])
    assert results[1].count[30, 40] == 0
    assert np.isfinite(results[1].mean).sum() == 40 * 51 - 1


@pytest.mark.parametrize("method", METHODS)
def test_hundreds_of_subs(method):
    """Stacks of more than 255 subs count right and keep the noise of the mean."""
    rng = np.random.default_rng(14)
    values = rng.normal(100, 10, (300, 12, 17)).astype(np.float32)
    values[5] += 500
    values[200] -= 500
    variances = np.full_like(values, 100)
    flags = reject(values, variances, np.full(300, 10.0), 100.0, Rejection(method, 5, 5))
    result = average(values, variances, np.ones(300), flags)
    assert (result.count + result.low + result.high == 300).all()
    assert result.mean.mean() == pytest.approx(100, abs=0.2)
    if method != "none":
        assert result.count.mean() > 297
        assert (flags[5] == HIGH).all()
        assert (flags[200] == LOW).all()


def test_unknown_method_is_refused():
    """A method that does not exist is named beside those that do."""
    values = np.ones((3, 2, 2), dtype=np.float32)
    with pytest.raises(ValueError, match="unknown rejection method 'magic'; choose from none"):
        _flags(values, Rejection("magic"))
