import numpy as np
import pytest

from platelib.detection.star_table import STAR
from platelib.psf_matching.convolution import convolved
from platelib.psf_matching.matching_kernel import fit_kernel, half_sizes
from platelib.psf_matching.stamps import cut_stamps, pair_stars, stamp_width
from platelib.simulate.psf import add_stars, moffat_image

SHAPE = (400, 520)


def _field(fwhm, beta, factor=1.0, noise=0.5, seed=1):
    """Stars at places and with fluxes of their own, seen through some seeing."""
    rng = np.random.default_rng(5)
    x, y = rng.uniform(15, SHAPE[1] - 15, 60), rng.uniform(15, SHAPE[0] - 15, 60)
    flux = 10 ** rng.uniform(3.5, 5, 60)
    image = np.zeros(SHAPE, dtype=np.float32)
    add_stars(image, x, y, factor * flux, moffat_image(fwhm, beta))
    image += noise * np.random.default_rng(seed).standard_normal(SHAPE).astype(np.float32)
    stars = np.zeros(60, dtype=STAR)
    stars["x"], stars["y"], stars["flux"], stars["fwhm"] = x, y, factor * flux, fwhm
    stars["flux_error"] = 10.0
    return image, stars


def _kernel(first, second, widths):
    pairs = pair_stars(first[1], second[1], 14.0)
    half = half_sizes(*widths)[1]
    *stamps, chosen = cut_stamps((first[0], second[0]), pairs, half)
    errors = 10 / second[1]["flux"][pairs.second[chosen]]
    return fit_kernel(*stamps, errors, widths)


@pytest.mark.parametrize(
    ("sharp", "soft"),
    [((2.6, 3.3), (3.4, 3.3)), ((2.9, 3.0), (3.0, 4.5)), ((2.4, 2.8), (4.6, 3.3))],
)
def test_stars_become_as_wide_as_the_others(sharp, soft):
    """The width agrees within 1 %, and half a percent of the peak is left of a bright star."""
    first, second = _field(*sharp, seed=1), _field(*soft, factor=0.37, noise=0.1, seed=2)
    kernel = _kernel(first, second, (sharp[0], soft[0]))
    assert kernel.stars > 30
    assert kernel.before_px < 0.95 * kernel.wanted_px or sharp[0] == 2.9
    assert kernel.after_px == pytest.approx(kernel.wanted_px, rel=0.01)
    assert kernel.taps.sum() == pytest.approx(1.0, abs=2e-3)
    assert kernel.residual < 0.006
    softened, _, _ = convolved(first[0], np.ones_like(first[0]), kernel.taps)
    bright = np.argsort(-second[1]["flux"])[:10]
    for x, y in zip(second[1]["x"][bright], second[1]["y"][bright], strict=True):
        part = np.s_[int(y) - 3 : int(y) + 5, int(x) - 3 : int(x) + 5]
        left = second[0][part] - 0.37 * softened[part]
        assert np.abs(left).max() < 0.015 * second[0][part].max()


def test_a_kernel_between_equals_changes_nothing():
    """For the same seeing, light stays where it is."""
    first, second = _field(3.1, 3.3, seed=1), _field(3.1, 3.3, seed=2)
    kernel = _kernel(first, second, (3.1, 3.1))
    middle = len(kernel.taps) // 2
    assert kernel.taps[middle, middle] == kernel.taps.max()
    assert kernel.after_px == pytest.approx(kernel.before_px, rel=0.005)


def test_a_shift_between_channels_is_part_of_the_kernel():
    """A tenth of a pixel of misregistration goes away with the width."""
    first, second = _field(2.7, 3.3, seed=1), _field(3.3, 3.3, seed=2)
    kernel = _kernel(first, second, (2.7, 3.3))
    step = np.arange(len(kernel.taps)) - len(kernel.taps) // 2
    assert abs((kernel.taps * step).sum()) < 0.02
    moved, stars = _field(3.3, 3.3, seed=2)
    moved[:, 1:] = 0.9 * moved[:, 1:] + 0.1 * moved[:, :-1]
    kernel = _kernel(first, (moved, stars), (2.7, 3.3))
    step = np.arange(len(kernel.taps)) - len(kernel.taps) // 2
    assert (kernel.taps * step).sum() == pytest.approx(0.1, abs=0.02)


def test_too_few_stars_are_refused():
    """Seven stars make no kernel."""
    stamps = np.ones((7, 41, 41))
    with pytest.raises(ValueError, match="7 stars are too few for a kernel, 8 are needed"):
        fit_kernel(stamps, stamps, np.full(7, 0.01), (3.0, 3.5))


def test_pairs_are_the_same_star_without_flags_and_tell_who_is_alone():
    """Flagged stars and strangers make no pair; a neighbour with 2 % of the light counts."""
    first, second = np.zeros(5, dtype=STAR), np.zeros(5, dtype=STAR)
    first["x"], first["y"], first["flux"] = [10, 50, 90, 130, 136], 20, [100, 90, 80, 70, 30]
    second["x"], second["y"], second["flux"] = [10.6, 50, 93, 130, 136], 20, [9, 8, 7, 60, 0.5]
    second["flags"][1] = 1
    pairs = pair_stars(first, second, 12.0)
    assert pairs.x.tolist() == [130, 10.6, 136]
    assert pairs.first.tolist() == [3, 0, 4]
    assert pairs.alone.tolist() == [False, True, False]
    assert len(pair_stars(first[:0], second, 12.0)) == 0


def test_widths_of_stamps_are_those_of_the_profile():
    """Profiles of 2.5 to 4 px that are all but Gaussian, for which windowed moments are made."""
    for fwhm in (2.5, 3.2, 4.0):
        image, stars = _field(fwhm, 40.0, noise=0.1)
        stamps, _, _ = cut_stamps((image, image), pair_stars(stars, stars, 12.0), 12)
        assert stamp_width(stamps) == pytest.approx(fwhm, rel=0.06)
    assert np.isnan(stamp_width(stamps[:0]))
