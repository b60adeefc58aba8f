import numpy as np
import pytest

from platelib.calibration import photon_transfer
from platelib.calibration.photon_transfer import (
    Estimate,
    bands,
    choose_gain,
    gain_e_per_adu,
    read_noise_adu,
    summarise,
)

SHAPE = (320, 461)


def _flat(rng, gain: float, read_noise: float, level: float, response: np.ndarray) -> np.ndarray:
    """A flat, offset removed, in whole counts; the read noise in ADU."""
    counts = rng.poisson(level * gain * response) / gain + rng.normal(0, read_noise, SHAPE)
    return np.round(counts).astype(np.float32)


def _response() -> np.ndarray:
    """Vignetting and pixel response, which must cancel."""
    y, x = np.indices(SHAPE)
    pixels = np.random.default_rng(1).normal(1, 0.01, SHAPE)
    return (1 - 3e-6 * ((x - 230) ** 2 + (y - 160) ** 2)) * pixels


@pytest.mark.parametrize(
    ("gain", "read_noise", "levels"),
    [
        (0.8, 3.5, (20000, 20000)),
        (0.8, 3.5, (20000, 27000)),
        (0.25, 1.6, (8000, 8300)),
        (1.5, 2.0, (3000, 2500)),
        (4.0, 10.0, (30000, 29000)),
    ],
)
def test_gain_is_recovered(gain, read_noise, levels):
    """Pairs of flats give the gain within its sampling error, also at differing levels.

    Formula: Howell, Handbook of CCD Astronomy, 4.3; Janesick 2001; from memory.
    """
    rng = np.random.default_rng(int(100 * gain))
    response = _response()
    cells: list[float] = []
    for _ in range(4):
        pair = [_flat(rng, gain, read_noise, level, response) for level in levels]
        cells += gain_e_per_adu(*pair, read_noise)
    estimate = summarise(cells)
    assert estimate is not None
    assert estimate.error < 0.005 * gain
    assert abs(estimate.value - gain) < 4 * estimate.error


def test_gain_equals_howells_formula():
    """At one level the gain is [(F1+F2)-(B1+B2)] / [var(F1-F2)-var(B1-B2)].

    Howell, Handbook of CCD Astronomy, 4.3, from memory.
    """
    rng = np.random.default_rng(3)
    flats = [500 + _flat(rng, 1.3, 4.0, 12000, np.ones(SHAPE)) for _ in range(2)]
    biases = [500 + rng.normal(0, 4, SHAPE) for _ in range(2)]
    light = np.mean(flats[0] + flats[1]) - np.mean(biases[0] + biases[1])
    expected = light / (np.var(flats[0] - flats[1]) - np.var(biases[0] - biases[1]))
    estimate = summarise(gain_e_per_adu(flats[0] - 500, flats[1] - 500, 4.0))
    assert estimate is not None
    assert estimate.value == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("read_noise", [1.6, 3.5, 12.0])
def test_read_noise_is_recovered(read_noise):
    """Pairs of biases give the read noise within its sampling error, in spite of cosmic rays."""
    rng = np.random.default_rng(int(10 * read_noise))
    fixed = rng.normal(500, 5, SHAPE)
    cells: list[float] = []
    for _ in range(3):
        pair = [np.round(fixed + rng.normal(0, read_noise, SHAPE)) for _ in range(2)]
        pair[0][rng.random(SHAPE) < 1e-4] += 2000
        cells += read_noise_adu(*(frame.astype(np.float32) for frame in pair))
    estimate = summarise(cells)
    assert estimate is not None
    # Rounding to whole counts adds 1/12 ADU^2.
    truth = np.sqrt(read_noise**2 + 1 / 12)
    assert estimate.error < 0.003 * truth
    assert abs(estimate.value - truth) < 4 * estimate.error


def test_dark_flats_tell_no_gain():
    """Flats without enough light give no cells, and no cells give no estimate."""
    rng = np.random.default_rng(4)
    pair = [_flat(rng, 1.0, 5.0, 100, np.ones(SHAPE)) for _ in range(2)]
    assert gain_e_per_adu(*pair, 5.0) == []
    assert summarise([]) is None
    assert summarise([1.0, 1.1]) is None


def test_summary_is_a_median_with_its_error():
    """The error of the median of normal cells is 1.2533 sigma / sqrt(n)."""
    cells = np.random.default_rng(5).normal(2, 0.1, 4000)
    estimate = summarise(list(cells))
    assert estimate is not None
    assert estimate.value == np.median(cells)
    assert estimate.error == pytest.approx(1.2533 * 0.1 / np.sqrt(4000), rel=0.05)
    assert estimate.count == 4000


@pytest.mark.parametrize(
    ("measured", "equipment", "header", "value", "source"),
    [
        (Estimate(1.5, 0.01, 50), 1.4, 1.3, 1.5, "photon transfer"),
        (Estimate(1.5, 0.20, 50), 1.4, 1.3, 1.4, "equipment file"),
        (None, None, 1.3, 1.3, "header"),
        (None, None, None, 0.0, "unknown"),
    ],
)
def test_choice_of_the_gain(measured, equipment, header, value, source):
    """A well measured gain counts first, then the equipment file's, then the header's."""
    choice = choose_gain(measured, equipment, header)
    assert (choice.value, choice.source) == (value, source)


def test_disagreement_is_remarked():
    """A header that differs by more than 15 %, or no gain at all, is worth a sentence."""
    remark = choose_gain(Estimate(1.5, 0.01, 50), None, 0.5).remark
    assert remark == "the header says 0.5 e-/ADU, the photon transfer 1.5"
    assert choose_gain(Estimate(1.5, 0.01, 50), None, 1.6).remark == ""
    assert choose_gain(None, None, 0.5).remark == ""
    assert "no photon noise" in choose_gain(None, None, None).remark


@pytest.mark.parametrize(
    "shape", [(3520, 4656), (320, 461), (96, 128), (40, 600), (10, 12), (9, 200), (3, 4), (1, 1)]
)
def test_bands_lie_within_the_frame(shape):
    """Bands lie apart in the middle of a frame, four of them where there is room."""
    found = bands(shape)
    ny, nx = shape
    assert 1 <= len(found) <= 4
    assert all(0 <= start < stop <= ny for start, stop in found)
    assert all(one[1] <= other[0] for one, other in zip(found, found[1:], strict=False))
    if ny >= 96 and nx >= 96:
        assert len(found) == 4
        assert found[0][0] >= ny // 8
        assert found[-1][1] <= ny - ny // 8
        assert len({stop - start for start, stop in found}) == 1


def test_bands_tell_the_read_noise():
    """The bands of a pair of large frames give the read noise to 1 %."""
    rng = np.random.default_rng(9)
    pair = rng.normal(500, 3, (2, 1500, 700)).round().astype(np.float32)
    cells = [cell for a, b in bands((1500, 700)) for cell in read_noise_adu(*pair[:, a:b])]
    assert summarise(cells).value == pytest.approx(np.sqrt(9 + 1 / 12), rel=0.01)


def test_pairs_without_difference_have_no_noise():
    """Equal frames, but for one struck pixel, differ by nothing."""
    first = np.full((64, 640), 300, dtype=np.float32)
    second = first.copy()
    second[5, 200] += 9
    assert set(read_noise_adu(first, second)) == {0.0}


def _clipped_variance(values: np.ndarray, some: np.ndarray) -> float:
    """Variance within 4 sigma of the median of some values, three times over."""
    distance = np.abs(values - np.median(some))
    width = 1.482602218505602 * np.median(np.abs(some - np.median(some)))
    for _ in range(3):
        kept = values[distance <= 4 * width]
        width = kept.std(ddof=1)
    return width**2


@pytest.mark.parametrize("shape", [(64, 640), (130, 520), (40, 330)])
def test_cells_equal_numpys(shape):
    """Levels and variances of cells are those of numpy, outliers left out."""
    rng = np.random.default_rng(10)
    first, second = (rng.normal(9000, 70, shape).astype(np.float32) for _ in range(2))
    second *= np.float32(1.2)
    first[rng.random(shape) < 0.003] += 5000
    ones, twos, variances = photon_transfer._measure(first, second, scaled=True)
    size = min(64, shape[1] // 8, shape[0])
    places = [
        (slice(y, y + size), slice(x, x + size))
        for y in range(0, shape[0] - size + 1, size)
        for x in range(shape[1] // 8, shape[1] - shape[1] // 8 - size + 1, size)
    ]
    step = 7 if size == 64 else 1
    for place, one, two, variance in zip(places, ones, twos, variances, strict=True):
        assert one == np.median(first[place].ravel()[::step].astype(np.float64))
        assert two == np.median(second[place].ravel()[::step].astype(np.float64))
        difference = (first[place] - np.float32(one / two) * second[place]).ravel()
        expected = _clipped_variance(difference.astype(np.float64), difference[::step])
        assert variance == pytest.approx(expected, rel=1e-6)
