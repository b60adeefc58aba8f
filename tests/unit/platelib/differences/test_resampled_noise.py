import numpy as np
import pytest
from drawn_differences import Conditions, Sky, draw_sub
from scipy.ndimage import correlate

from platelib.differences.resampled_noise import noise_factor, sub_correlation


@pytest.mark.parametrize("turn_deg", [0.0, 5.0])
def test_the_factor_is_the_noise_of_filtered_samples(turn_deg):
    """Resampled noise, filtered, scatters as the factor says within 2 %, turned or not."""
    step = np.arange(-4, 5)
    image = np.exp(-(step**2 + step[:, None] ** 2) / 3.0)
    sky = Sky((400, 420), np.empty((0, 3)), np.empty((0, 4)), 900.0)
    taken = Conditions(dither_px=(0.37, 0.21), turn_deg=turn_deg)
    sub = draw_sub(np.random.default_rng(5), sky, taken)
    inner = np.s_[40:-40, 40:-40]
    variance = float(np.mean(sub.variances[inner]))
    filtered = correlate(np.nan_to_num(sub.values), image / np.sqrt((image**2).sum()))[inner]
    factor = noise_factor(image, sub_correlation(sub.transform, sky.shape))
    assert factor > 1.05
    assert abs(filtered.std() / np.sqrt(variance * factor) - 1) < 0.02


def test_whole_pixels_are_independent():
    """A sub that is moved by whole pixels has a factor of one."""
    sky = Sky((60, 70), np.empty((0, 3)), np.empty((0, 4)), 900.0)
    sub = draw_sub(np.random.default_rng(6), sky, Conditions(dither_px=(1.0, -2.0)))
    assert abs(noise_factor(np.ones((5, 5)), sub_correlation(sub.transform, sky.shape)) - 1) < 1e-6
