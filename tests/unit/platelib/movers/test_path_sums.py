import numpy as np
import pytest
from scipy.ndimage import map_coordinates
from unit.platelib.movers.drawn_nights import FWHM_PX, drawn_maps

from platelib.movers.path_sums import highest_path, statistic
from platelib.numerics.constants import FWHM_PER_SIGMA

MINUTES = np.linspace(-30, 30, 12)


@pytest.mark.parametrize("seed", range(3))
def test_the_highest_path_is_the_true_one_within_its_errors(seed):
    """Place and rate scatter by the correlation over the signal-to-noise, without bias."""
    rng = np.random.default_rng(seed)
    truth = np.array([60.3, 55.6, 0.31, -0.24])
    signal, weight = drawn_maps(rng, MINUTES, (110, 120), [(*truth, 8.0)])
    start = truth + [0.8, -0.7, 0.02, 0.02]
    path = highest_path(signal, weight, MINUTES, start[None], (0.5, 1 / 60), 1.0)
    correlation = np.sqrt(2) * FWHM_PX / FWHM_PER_SIGMA
    error = correlation / path.statistic
    assert abs(path.statistic - 8 * np.sqrt(12)) < 4
    assert np.hypot(path.x - truth[0], path.y - truth[1]) < 4 * error
    assert np.hypot(path.vx - truth[2], path.vy - truth[3]) < 4 * error / MINUTES.std()


def test_samples_between_pixels_follow_a_smooth_map():
    """Cubic convolution is within 1 % of the peak of splines of scipy."""
    rng = np.random.default_rng(9)
    signal, weight = drawn_maps(rng, MINUTES[:2], (40, 50), [(21.4, 18.7, 0.0, 0.0, 50.0)])
    at = np.array([[21.4, 18.7, 0.0, 0.0]])
    path = highest_path(signal, weight, MINUTES[:2], at, (0.0, 0.0), 1.0)
    for i in range(2):
        spline = map_coordinates(signal[i].astype(float), [[18.7], [21.4]], order=5)[0]
        assert abs(path.signal[i] - spline) < 0.5


def test_masked_subs_count_neither_signal_nor_noise():
    """A path over gaps has the statistic of the other subs."""
    rng = np.random.default_rng(2)
    signal, weight = drawn_maps(rng, MINUTES, (60, 60), [(30.0, 30.0, 0.0, 0.0, 5.0)])
    weight[3:6, 25:36, 25:36] = 0
    at = np.array([[30.0, 30.0, 0.0, 0.0]])
    path = highest_path(signal, weight, MINUTES, at, (0.0, 0.0), 1.0)
    assert not path.weight[3:6].any() and not path.signal[3:6].any()
    kept = [0, 1, 2, 6, 7, 8, 9, 10, 11]
    assert path.statistic == statistic(path.signal[kept], path.weight[kept])
    assert path.rest == pytest.approx(path.statistic)


def test_no_data_is_no_signal():
    """The statistic of nothing is 0."""
    assert statistic(np.zeros(3), np.zeros(3)) == 0
