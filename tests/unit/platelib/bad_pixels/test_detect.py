import numpy as np
import pytest
from scipy.ndimage import median_filter

from platelib.bad_pixels import detect, local_statistics
from platelib.bad_pixels.detect import dead_pixels, hot_pixels, unstable_pixels
from platelib.numerics.order_statistics import median_network

SHAPE = (240, 361)
READ_NOISE = 3.0


def _glow() -> np.ndarray:
    """Amplifier glow that falls off from a corner."""
    y, x = np.indices(SHAPE)
    return 600 * np.exp(-np.hypot(x - 360, y) / 60)


def _darks(seed: int, n: int, glow: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean of darks with read noise, glow and the photon noise of both, and its variance."""
    rng = np.random.default_rng(seed)
    frames = rng.poisson(5 + glow, (n, *SHAPE)) + rng.normal(0, READ_NOISE, (n, *SHAPE))
    return frames.mean(axis=0).astype(np.float32), _variance(frames)


def _variance(frames: np.ndarray) -> np.ndarray:
    """Variance of the mean."""
    return (frames.var(axis=0, ddof=1) / len(frames)).astype(np.float32)


def _count(n: int) -> np.ndarray:
    return np.full(SHAPE, n, dtype=np.int16)


@pytest.mark.parametrize("n", [3, 10])
@pytest.mark.parametrize("glowing", [False, True])
def test_clean_darks_have_no_defects(n, glowing):
    """Noise and amplifier glow are neither hot nor unstable: no false alarm at 8 sigma."""
    dark, variance = _darks(n, n, _glow() if glowing else np.zeros(SHAPE))
    assert np.count_nonzero(hot_pixels(dark, 8.0)) == 0
    assert np.count_nonzero(unstable_pixels(variance, _count(n), 8.0)) == 0


def test_false_alarms_at_low_limits_are_those_of_the_normal_law():
    """At 4 sigma about 3 in 100,000 pixels of clean noise are called hot."""
    noise = np.random.default_rng(1).normal(100, 2, (600, 801)).astype(np.float32)
    expected = 3.17e-5 * noise.size
    assert 0.3 * expected < np.count_nonzero(hot_pixels(noise, 4.0)) < 3 * expected


def test_hot_pixels_are_found():
    """Hot pixels, alone, in pairs, at the edge, in the glow and in a column, are found."""
    dark, _ = _darks(2, 10, _glow())
    truth = np.zeros(SHAPE, dtype=bool)
    rng = np.random.default_rng(3)
    truth[rng.integers(0, 240, 300), rng.integers(0, 300, 300)] = True
    truth[0, 10] = truth[100, 0] = truth[239, 360] = truth[5, 350] = True
    truth[:, 200] = True
    dark[truth] += np.where(_glow()[truth] > 100, 300, 60)
    found = hot_pixels(dark, 8.0)
    assert found[truth].mean() > 0.99
    assert found[[0, 100, 239, 5], [10, 0, 360, 350]].all()
    assert np.count_nonzero(found & ~truth) == 0


def test_cold_pixels_are_not_hot():
    """A pixel below its surroundings is not called hot."""
    dark, _ = _darks(4, 10, np.zeros(SHAPE))
    dark[50, 60] = -500
    assert not hot_pixels(dark, 8.0).any()


def test_unstable_pixels_are_found():
    """Pixels that jump between two levels from dark to dark are found."""
    rng = np.random.default_rng(5)
    frames = rng.normal(5, READ_NOISE, (10, *SHAPE))
    places = rng.integers(0, 240, 50), rng.integers(0, 361, 50)
    frames[::2, places[0], places[1]] += 40
    found = unstable_pixels(_variance(frames), _count(10), 8.0)
    truth = np.zeros(SHAPE, dtype=bool)
    truth[places] = True
    np.testing.assert_array_equal(found, truth)


def _flat(seed: int) -> np.ndarray:
    y, x = np.indices(SHAPE)
    shade = 1 - 0.3 * np.exp(-((np.hypot(x - 100, y - 80) - 20) ** 2) / 30)
    vignetting = 1.1 - 5e-6 * ((x - 180) ** 2 + (y - 120) ** 2)
    noise = np.random.default_rng(seed).normal(1, 0.01, SHAPE)
    return (shade * vignetting * noise).astype(np.float32)


def test_vignetting_and_dust_are_not_dead():
    """A flat with vignetting, a dust shadow and noise has no dead pixels."""
    assert not dead_pixels(_flat(6), 0.5).any()


def test_dead_pixels_are_found():
    """Dead, blind, missing and far too bright pixels are found, and nothing else."""
    flat = _flat(7)
    truth = np.zeros(SHAPE, dtype=bool)
    for y, x, factor in ((20, 30, 0.3), (0, 0, 0.0), (239, 360, 0.45), (50, 51, 1.7)):
        flat[y, x] *= factor
        truth[y, x] = True
    flat[100, 200] = np.nan
    truth[100, 200] = True
    np.testing.assert_array_equal(dead_pixels(flat, 0.5), truth)


@pytest.mark.parametrize("width", [1, 2, 3])
def test_bad_columns_are_found(width):
    """A dark column of up to three pixels is found from end to end."""
    flat = _flat(8)
    flat[:, 150 : 150 + width] *= 0.2
    found = dead_pixels(flat, 0.5)
    assert found[:, 150 : 150 + width].all()
    assert np.count_nonzero(found) == 240 * width


def test_missing_data_stay_local():
    """Missing pixels of a dark make no others hot or unstable."""
    dark, variance = _darks(9, 5, np.zeros(SHAPE))
    dark[100:140, 100:140] = np.nan
    variance[100:140, 100:140] = np.nan
    assert np.count_nonzero(unstable_pixels(variance, _count(5), 8.0)) == 0
    assert np.count_nonzero(hot_pixels(dark, 8.0)) == 0


def _excess(dark: np.ndarray) -> np.ndarray:
    """Excess over scipy.ndimage.median_filter, a slope going on beyond edges."""
    wide = np.pad(np.nan_to_num(dark), 2, mode="reflect", reflect_type="odd")
    return dark - median_filter(wide, size=5)[2:-2, 2:-2]


@pytest.mark.parametrize("shape", [(3, 3), (5, 9), (37, 530), (70, 41), (131, 20)])
def test_surroundings_of_a_dark_pixel_are_scipys_median(shape):
    """The excess of each row, in bands, equals that over scipy's median filter."""
    dark = np.random.default_rng(10).normal(20, 3, shape).astype(np.float32)
    dark[1, 1] = np.nan
    parts = []
    for _, values, lines in local_statistics.bands(dark.astype(">f4")):
        parts.append(np.empty_like(values))
        detect._above_median(values, lines, 0, 1, median_network(25), parts[-1])
    np.testing.assert_array_equal(np.concatenate(parts), _excess(dark))


def _limits(values: np.ndarray, sigma: float) -> np.ndarray:
    """Largest value allowed by cells of values, written out for each pixel."""
    level, limit = local_statistics.typical(values[_some(values)], values.shape, sigma)
    y, x = np.indices(values.shape)
    cells = y * len(level) // values.shape[0], x * level.shape[1] // values.shape[1]
    return level[cells] + limit[cells]


def _some(values: np.ndarray) -> slice:
    return slice(min(4, len(values) - 1), None, 8)


@pytest.mark.parametrize("sigma", [2.0, 4.0])
@pytest.mark.parametrize("shape", [(3, 3), (5, 40), (37, 530), (150, 141)])
def test_hot_pixels_are_those_above_the_limit(shape, sigma):
    """The bound lets no pixel pass, also at low limits, where many are near them."""
    rng = np.random.default_rng(13)
    dark = (20 + 3 * rng.standard_t(3, shape)).astype(np.float32)
    dark[rng.random(shape) < 0.05] = np.nan
    excess = _excess(dark)
    expected = (excess > _limits(excess, sigma)) & (excess > 0)
    np.testing.assert_array_equal(hot_pixels(dark, sigma), expected)
    assert expected.any()


@pytest.mark.parametrize("shape", [(3, 3), (5, 40), (37, 530), (150, 141)])
def test_unstable_pixels_are_those_above_the_limit(shape):
    """What stands out is the standard deviation of a sample, whatever the number of samples."""
    rng = np.random.default_rng(14)
    count = rng.integers(5, 11, shape).astype(np.int16)
    scatter = 3 + rng.exponential(1, shape)
    variance = (scatter**2 / count).astype(np.float32)
    variance[rng.random(shape) < 0.05] = np.nan
    scatter = np.sqrt(variance * count.astype(np.float32))
    expected = scatter > _limits(scatter, 2.0)
    found = unstable_pixels(variance.astype(">f4"), count.astype(">i2"), 2.0)
    np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize("shape", [(1, 9), (37, 530), (20, 1100)])
def test_line_of_a_flat_pixel_is_scipys_median(shape):
    """Dead pixels are those told by scipy.ndimage.median_filter along the row."""
    rng = np.random.default_rng(11)
    flat = rng.normal(1, 0.3, shape).astype(np.float32)
    flat[rng.random(shape) < 0.02] = np.nan
    local = median_filter(np.nan_to_num(flat), size=(1, 9), mode="mirror")
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = flat / local
    expected = ~((ratio > 0.6) & (ratio < 1.4)) | ~(flat > 0.05)
    np.testing.assert_array_equal(dead_pixels(flat, 0.6), expected)


def test_very_large_frames_are_judged_by_a_grid_of_their_pixels():
    """The least spread of a frame comes from a grid of its pixels where it has very many."""
    frame = np.random.default_rng(12).normal(50, 4, (1500, 1600)).astype(np.float32)
    centre, width = local_statistics._centre_and_width(frame)
    assert centre == pytest.approx(50, abs=0.1)
    assert width == pytest.approx(4, rel=0.02)
