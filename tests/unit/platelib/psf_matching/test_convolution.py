import numpy as np
import pytest
from scipy.ndimage import convolve

from platelib.psf_matching.convolution import convolved, noise_ratio
from platelib.psf_matching.convolve_channel import soften, within_reach
from platelib.resampling.lanczos import lanczos


def _taps(radius=3, seed=2):
    taps = np.random.default_rng(seed).uniform(-0.1, 1, (2 * radius + 1, 2 * radius + 1))
    return taps / taps.sum()


def _image(shape=(40, 57), seed=3):
    rng = np.random.default_rng(seed)
    image = rng.standard_normal(shape).astype(np.float32)
    return image, rng.uniform(0.5, 2, shape).astype(np.float32)


def test_it_is_a_convolution():
    """Compared with scipy.ndimage.convolve away from the edge; the variance with squared taps."""
    image, variance = _image()
    taps = _taps()
    values, variances, missing = convolved(image, variance, taps)
    inner = np.s_[3:-3, 3:-3]
    expected = convolve(image.astype(np.float64), taps)[inner]
    np.testing.assert_allclose(values[inner], expected, atol=1e-6)
    expected = convolve(variance.astype(np.float64), taps**2)[inner]
    np.testing.assert_allclose(variances[inner], expected, rtol=1e-5)
    assert np.abs(missing[inner]).max() < 1e-6
    assert missing[0, 0] > 0.3


def test_a_constant_stays_one_over_gaps_and_edges():
    """What is left of the kernel is brought to sum one; a gap itself stays a gap."""
    image = np.full((30, 41), 5.5, dtype=np.float32)
    image[10:12, 20] = np.nan
    values, _, _ = convolved(image, np.ones_like(image), _taps())
    np.testing.assert_array_equal(np.isnan(values), np.isnan(image))
    np.testing.assert_allclose(values[np.isfinite(values)], 5.5, rtol=1e-6)


def test_noise_of_sampled_pixels_falls_as_far_as_it_says():
    """White noise, sampled by Lanczos-3 at random phases, then convolved: its variance, measured.

    With independent pixels the variance would fall to the sum of the squared taps.
    """
    rng = np.random.default_rng(8)
    step = np.arange(-4, 5)
    line = np.exp(-0.5 * (step / 1.3) ** 2)
    taps = line * line[:, None] / line.sum() ** 2
    before, after = [], []
    for _ in range(60):
        white = rng.standard_normal((70, 80))
        phases = rng.uniform(0, 1, 2)
        for axis, phase in enumerate(phases):
            weights = [float(lanczos(np.array([phase]), tap)[0]) for tap in range(-2, 4)]
            white = sum(
                w * np.roll(white, -t, axis) for t, w in zip(range(-2, 4), weights, strict=True)
            )
        before.append(white.var())
        after.append(convolve(white, taps, mode="wrap").var())
    ratio = np.mean(after) / np.mean(before)
    assert noise_ratio(taps) == pytest.approx(ratio, rel=0.02)
    assert noise_ratio(taps) > 1.2 * (taps**2).sum()
    assert noise_ratio(np.ones((1, 1))) == pytest.approx(1.0)


def test_gaps_inside_grow_and_the_edge_does_not():
    """No pixel is made of a star's wings without its core; the border keeps its data."""
    image, variance = _image((60, 70))
    image[30, 35] = np.nan
    image[:, :2] = np.nan
    taps = np.zeros((5, 5))
    taps[1:4, 1:4] = 1 / 9
    values, variances, factor = soften(image, variance, taps)
    gone = np.zeros(image.shape, dtype=bool)
    gone[29:32, 34:37] = True
    gone[:, :2] = True
    np.testing.assert_array_equal(np.isnan(values), gone)
    np.testing.assert_array_equal(np.isnan(variances), gone)
    assert factor == pytest.approx(1 / np.sqrt(noise_ratio(taps)), rel=1e-5)
    assert 1.5 < factor < 3


def test_within_reach_is_a_square():
    """Marks spread by the same number of pixels each way, and stop at the edge."""
    marked = np.zeros((9, 11), dtype=bool)
    marked[1, 5] = True
    expected = np.zeros_like(marked)
    expected[:4, 3:8] = True
    np.testing.assert_array_equal(within_reach(marked, 2), expected)
