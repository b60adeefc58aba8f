import numpy as np
import pytest
from scipy.ndimage import correlate

from platelib.integration.psf_kernels import fit_kernels, no_kernels
from platelib.integration.psf_partners import stamp_radius
from platelib.simulate.psf import add_stars, moffat_image


def _stamps(widths, stars=24, seed=1, holes=0, rays=0):
    """Stamps of the same stars in subs of some widths, with photon noise of a sky of 100."""
    rng = np.random.default_rng(seed)
    half = stamp_radius(np.asarray(widths))
    side = 2 * half + 1
    light = np.zeros((len(widths), stars, side, side), dtype=np.float32)
    places = half + rng.uniform(-0.5, 0.5, (stars, 2))
    flux = 10 ** rng.uniform(4.8, 5.8, stars)
    for i, width in enumerate(widths):
        image = moffat_image(width, 3.0, radius_px=half + 2)
        for k in range(stars):
            add_stars(light[i, k], *places[k], flux[k], image)
    clean = light.copy()
    variance = light + np.float32(100)
    light += rng.normal(0, 1, light.shape).astype(np.float32) * np.sqrt(variance)
    for _ in range(rays):
        i, k = rng.integers(len(widths)), rng.integers(stars)
        light[i, k, half, half + 1] += 5000
    for _ in range(holes):
        light[
            rng.integers(len(widths)),
            rng.integers(stars),
            rng.integers(side),
            rng.integers(side),
        ] = np.nan
    return light, variance, clean


def _miss(kernels, clean, sub, k):
    """Largest error of the prediction of noiseless stars, as a share of their peaks."""
    partner = kernels.partners[sub, k]
    taps = kernels.taps[sub, k].astype(float)
    found = np.stack([correlate(stamp.astype(float), taps) for stamp in clean[partner]])
    inner = np.s_[:, kernels.reach : -kernels.reach, kernels.reach : -kernels.reach]
    error = np.abs(found - clean[sub])[inner].max(axis=(1, 2))
    return float(np.median(error / clean[sub].max(axis=(1, 2))))


def _pair(kernels, sub, partner):
    return kernels.partners[sub].tolist().index(partner)


def test_softer_subs_are_predicted_from_sharper_ones():
    """Moffat stars of FWHM 2.5 px predict those of 2.8 and 3.2 px to 3 % of their peaks."""
    widths = [2.5, 2.8, 3.2]
    light, variance, clean = _stamps(widths)
    kernels = fit_kernels(np.array(widths), light, variance)
    for sub, partner in ((1, 0), (2, 1), (2, 0)):
        assert _miss(kernels, clean, sub, _pair(kernels, sub, partner)) < 0.03
    np.testing.assert_allclose(kernels.taps.sum(axis=(2, 3)), 1, atol=0.05)


def test_sharper_subs_are_predicted_from_softer_ones_less_well():
    """Sharpening 2.8 to 2.5 px misses the peaks by up to 8 %, and the misfit says more than 2 %."""
    widths = [2.5, 2.8, 3.2]
    light, variance, clean = _stamps(widths)
    kernels = fit_kernels(np.array(widths), light, variance)
    assert _miss(kernels, clean, 0, _pair(kernels, 0, 1)) < 0.08
    assert kernels.misfit[0, _pair(kernels, 0, 1)] > 0.02


def test_cosmic_rays_and_holes_hardly_change_a_kernel():
    """Rays on a third of the stars and holes in most stamps leave predictions as good."""
    widths = [2.5, 2.8, 3.2]
    light, variance, clean = _stamps(widths, holes=60, rays=8)
    kernels = fit_kernels(np.array(widths), light, variance)
    assert _miss(kernels, clean, 1, _pair(kernels, 1, 0)) < 0.04
    assert _miss(kernels, clean, 2, _pair(kernels, 2, 1)) < 0.04


def test_misfit_tells_of_stars_that_no_kernel_matches():
    """Where the profiles of two subs have nothing in common, the misfit says so."""
    widths = [2.5, 2.6, 2.7]
    light, variance, _ = _stamps(widths)
    rng = np.random.default_rng(5)
    for k in range(light.shape[1]):  # each star is displaced in its own direction
        light[2, k] = np.roll(light[2, k], rng.integers(-1, 2, 2), axis=(0, 1))
    kernels = fit_kernels(np.array(widths), light, variance)
    pair = kernels.partners[2].tolist().index(0)
    assert kernels.misfit[2, pair] > 0.1


def test_without_stars_kernels_follow_from_the_widths():
    """A softer sub is a Gaussian of the missing width; the second moments add up."""
    widths = np.array([2.0, 3.0, 4.0])
    side = 2 * stamp_radius(widths) + 1
    nothing = np.empty((3, 0, side, side), dtype=np.float32)
    kernels = fit_kernels(widths, nothing, nothing)
    taps = kernels.taps[2, kernels.partners[2].tolist().index(0)].astype(float)
    step = np.arange(-kernels.reach, kernels.reach + 1)
    fwhm = 2.3548 * np.sqrt((taps * step**2).sum() / taps.sum())
    assert fwhm == pytest.approx(np.sqrt(4.0**2 - 2.0**2), rel=0.02)
    assert taps.sum() == pytest.approx(1, abs=1e-6)


def test_kernels_of_no_subs_have_no_partners():
    """`no_kernels` looks at no pixel beside the sample."""
    kernels = no_kernels(5)
    assert kernels.partners.shape == (5, 0)
    assert kernels.reach == 0
