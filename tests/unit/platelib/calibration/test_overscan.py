import numpy as np
import pytest
from ccdproc import CCDData, subtract_overscan
from scipy.signal import wiener

from platelib.calibration.overscan import overscan_levels

NY, N = 600, 32
NOISE = 8.0


def _strip(level, seed=3, noise=NOISE, columns=N):
    rng = np.random.default_rng(seed)
    return np.rint(level[:, None] + rng.normal(0, noise, (len(level), columns)))


def _drift():
    """A level that sinks slowly, with a steep beginning, as amplifiers do that warm up."""
    y = np.arange(NY)
    return 1000 - 0.01 * y + 12 * np.exp(-y / 60)


def test_a_steady_level_keeps_a_fraction_of_the_noise_of_a_row():
    """Where only noise differs from row to row, the levels err by a third of a row's mean or less.

    That of the mean of a row itself is what ccdproc takes off without a model.
    """
    level = _drift()
    errors = [overscan_levels(_strip(level, seed)) - level for seed in range(5)]
    of_a_row = NOISE / np.sqrt(N)
    assert np.std(errors) < of_a_row / 3
    assert abs(np.mean(errors)) < of_a_row / 20


def test_jumps_from_row_to_row_are_followed():
    """A level that jumps by more than the noise is known as well as by the mean of the row."""
    level = _drift() + np.random.default_rng(8).normal(0, 6, NY)
    errors = overscan_levels(_strip(level)) - level
    assert np.std(errors) < 1.2 * NOISE / np.sqrt(N)


def test_a_step_within_the_frame_is_followed():
    """Half of the rows lie higher: no row near the step errs by more than its own noise allows."""
    level = _drift() + 40.0 * (np.arange(NY) > 300)
    errors = overscan_levels(_strip(level)) - level
    assert np.abs(errors).max() < 5 * NOISE / np.sqrt(N)


def test_ccdproc_takes_off_the_same_level():
    """Its median of each row agrees within the noise of both, for a level that jumps.

    ccdproc 2.5, `subtract_overscan` with ``median=True``.
    """
    level = _drift() + np.random.default_rng(8).normal(0, 30, NY)
    strip = _strip(level)
    frame = np.hstack([np.zeros((NY, 50)), strip])
    whole = CCDData(frame, unit="adu")
    other = -subtract_overscan(whole, overscan=whole[:, 50:], median=True).data[:, 0]
    difference = overscan_levels(strip) - other
    assert np.std(difference) < 1.3 * NOISE / np.sqrt(N)
    assert abs(np.mean(difference)) < 0.1 * NOISE


def test_the_filter_is_that_of_scipy():
    """Away from the ends, `scipy.signal.wiener` gives the same for the same means and noise."""
    level = _drift() + np.random.default_rng(8).normal(0, 2, NY)
    strip = _strip(level)
    ordered = np.sort(strip, axis=1)
    means = ordered[:, N // 4 : -(N // 4)].mean(axis=1)
    halves = (
        np.sort(half, axis=1)[:, N // 8 : -(N // 8)].mean(axis=1)
        for half in (strip[:, ::2], strip[:, 1::2])
    )
    difference = np.subtract(*halves)
    noise = np.mean((difference - np.median(difference)) ** 2) / 4
    expected = wiener(means - np.median(means), 33, noise) + np.median(means)
    np.testing.assert_allclose(overscan_levels(strip)[16:-16], expected[16:-16], atol=0.0006)


def test_trails_of_saturated_stars_and_dead_pixels_do_no_harm():
    """A quarter of a row's overscan may hold anything."""
    level = _drift()
    strip = _strip(level)
    expected = overscan_levels(strip)
    strip[200:210, :4] += 3000.0
    strip[:, 7] = 0.0
    strip[300, 5:9] = np.nan
    assert np.abs(overscan_levels(strip) - expected).max() < 4 * NOISE / np.sqrt(N)


def test_rows_without_data_take_the_level_of_their_neighbours():
    """NaN in a whole row is no level of its own."""
    level = np.full(60, 500.0)
    strip = _strip(level)
    strip[20:23] = np.nan
    assert np.abs(overscan_levels(strip) - level).max() < NOISE
    for empty in (np.full((5, 4), np.nan), np.zeros((5, 0))):
        with pytest.raises(ValueError, match="the overscan has no pixel with a value"):
            overscan_levels(empty)


def test_constant_in_constant_out():
    """Equal pixels give their value, also in a single column or row."""
    for shape in ((40, 16), (40, 1), (1, 16)):
        np.testing.assert_array_equal(overscan_levels(np.full(shape, 321.0)), 321.0)
