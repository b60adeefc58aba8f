from collections.abc import Callable

import numpy as np
import pytest

from platefiles.raw_frames.raw_frame import open_raw
from platelib.calibration.saturation_level import (
    Brightest,
    PileUp,
    find_pile_up,
    sound_levels,
)
from platelib.detection.bright_pixels import brightest_pixels

SHAPE = (240, 310)
FORMATS = {8: 255.0, 12: 4095.0, 14: 16383.0, 16: 65535.0}
PEDESTALS = {8: 4.0, 12: 200.0, 14: 500.0, 16: 1000.0}


def stars(
    seed: int, brightest: float, fwhm: float, sky: float, gain: float, beta: float = 0.0
) -> np.ndarray:
    """Draw 80 stars of a power law over a sky with photon and read noise, rays and hot pixels, ADU.

    ``beta`` is that of a Moffat profile; 0 draws Gaussians.
    """
    rng = np.random.default_rng(seed)
    image = np.full(SHAPE, float(sky))
    for number in range(80):
        half = round(10 * fwhm) if number < 8 else round(4 * fwhm)
        cx, cy = rng.uniform(8, SHAPE[1] - 8), rng.uniform(8, SHAPE[0] - 8)
        rows = slice(max(0, round(cy) - half), round(cy) + half)
        columns = slice(max(0, round(cx) - half), round(cx) + half)
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]][:, rows, columns]
        squared = (x - cx) ** 2 + (y - cy) ** 2
        if beta:
            star = (1 + squared * (2 ** (1 / beta) - 1) * 4 / fwhm**2) ** -beta
        else:
            star = np.exp(-4 * np.log(2) * squared / fwhm**2)
        image[rows, columns] += brightest / (1 + number) * star
    image = rng.poisson(image * gain) / gain + rng.normal(0, 3 / gain, SHAPE)
    image[rng.integers(0, SHAPE[0], 40), rng.integers(0, SHAPE[1], 40)] += brightest / 2
    for _ in range(10):
        row, column = rng.integers(5, 200, 2)
        image[row, column : column + 4] += rng.exponential(brightest / 4)
    return image


def stored(image: np.ndarray, bits: int) -> np.ndarray:
    """Return what a converter of some bits makes of an image, its pedestal added."""
    values = np.clip(np.rint(image + PEDESTALS[bits]), 0, FORMATS[bits])
    return np.asarray(values, dtype=np.float32)


def found_in(frame: np.ndarray, step: float = 1.0) -> PileUp | None:
    """Return the pile-up of a frame."""
    return find_pile_up(brightest_pixels(reader(frame), frame.shape, step))


def reader(frame: np.ndarray) -> Callable[[int, int], np.ndarray]:
    """Return what reads rows of a frame."""
    return lambda start, stop: frame[start:stop]


@pytest.mark.parametrize("bits", FORMATS)
@pytest.mark.parametrize("fwhm", [1.6, 3.0, 7.0])
def test_clipping_of_the_converter_is_found(bits, fwhm):
    """Where a converter clips, the pile-up is at its highest value, at any depth and width."""
    gain = 20 if bits == 8 else 0.7
    image = stars(bits, 12 * FORMATS[bits], fwhm, 0.03 * FORMATS[bits], gain, 3.0)
    pile_up = found_in(stored(image, bits))
    assert pile_up is not None
    assert pile_up.level == pile_up.lower == FORMATS[bits]
    assert pile_up.threshold == pytest.approx(0.98 * FORMATS[bits])


@pytest.mark.parametrize("spread", [0.0005, 0.003, 0.01, 0.02])
@pytest.mark.parametrize("fwhm", [2.0, 4.0])
def test_a_full_well_of_some_spread_is_found(spread, fwhm):
    """A full well that differs from pixel to pixel is found within 1 %, three hot pixels above."""
    rng = np.random.default_rng(5)
    image = stars(7, 500_000, fwhm, 900, 1.2, 3.0)
    image = np.minimum(image, 41_000 * (1 + spread * rng.normal(size=SHAPE)))
    image[[20, 90, 200], [200, 30, 300]] = 64_000
    pile_up = found_in(stored(image, 16))
    assert pile_up is not None
    assert pile_up.level == pytest.approx(41_000 + PEDESTALS[16], rel=0.01)
    assert pile_up.threshold <= 0.98 * pile_up.level


@pytest.mark.parametrize("bits", FORMATS)
@pytest.mark.parametrize("fwhm", [1.3, 2.0, 4.0, 10.0])
def test_no_pile_up_is_invented(bits, fwhm):
    """Stars that are merely the brightest, hot pixels and tracks are no pile-up."""
    gain = 20 if bits == 8 else 0.7
    for seed in range(4):
        top = (0.5 + 0.1 * seed) * FORMATS[bits]
        image = stars(seed, top, fwhm, 0.03 * FORMATS[bits], gain, (0.0, 2.5)[seed % 2])
        assert found_in(stored(image, bits)) is None


def test_a_plateau_of_one_star_is_no_pile_up():
    """A defocused star with a plateau of photon noise is not mistaken for a full well."""
    rng = np.random.default_rng(3)
    image = stars(4, 8000, 3.0, 900, 1.0)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    radius = np.hypot(x - 150, y - 120)
    image[(radius > 8) & (radius < 25)] += 30_000
    image = rng.poisson(np.maximum(image, 0)).astype(float)
    assert found_in(stored(image, 16)) is None


def test_a_covered_frame_tells_its_level():
    """Where most of the frame is saturated, the level is the value that is there everywhere."""
    frame = np.full(SHAPE, 4095, dtype=np.float32)
    frame[::3] = stored(stars(1, 2000, 3.0, 300, 1.0), 12)[::3]
    pile_up = found_in(frame)
    assert pile_up is not None
    assert pile_up.level == 4095


@pytest.mark.parametrize("value", [0.0, 500.0, np.nan])
def test_an_empty_frame_tells_nothing(value):
    """Frames of one value, or without any, show no pile-up."""
    assert found_in(np.full(SHAPE, value, dtype=np.float32)) is None


def test_words_and_values_give_the_same():
    """Unsigned 16-bit words as they lie in a file and their values in float32 are one frame."""
    frame = stored(stars(2, 300_000, 3.0, 900, 1.2), 16)
    words = (frame.astype(np.int32) - 32768).astype(">i2")
    one, other = (brightest_pixels(reader(f), SHAPE) for f in (frame, words))
    assert len(one.values) > 50
    for name in ("values", "x", "y", "sky", "noise"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def test_brightest_pixels_are_those_of_a_plain_search():
    """Value and place of the pixels are those that numpy finds over the whole frame."""
    frame = stored(stars(8, 30_000, 3.0, 900, 1.2), 16)
    pixels = brightest_pixels(reader(frame), SHAPE)
    assert pixels.values[-1] < 0.7 * pixels.values[5]
    padded = np.pad(frame, 1)
    near = np.zeros(SHAPE, dtype=int)
    for dy in range(3):
        for dx in range(3):
            window = padded[dy : dy + SHAPE[0], dx : dx + SHAPE[1]]
            near += window > pixels.sky + 0.5 * (frame - pixels.sky)
    expected = (frame >= pixels.values[-1]) & (near >= 3)
    expected[[0, -1]] = expected[:, [0, -1]] = False
    shown = np.zeros(SHAPE, dtype=bool)
    shown[pixels.y, pixels.x] = True
    np.testing.assert_array_equal(shown, expected)
    np.testing.assert_array_equal(pixels.values, np.sort(frame[expected])[::-1])


def test_lone_pixels_do_not_hide_a_pile_up():
    """Hundreds of hot pixels at full scale leave a pile-up at a third of it visible."""
    rng = np.random.default_rng(1)
    image = np.minimum(stars(6, 300_000, 3.5, 900, 1.2), 20_000)
    image[rng.integers(0, SHAPE[0], 150), rng.integers(0, SHAPE[1], 150)] = 64_000
    pile_up = found_in(stored(image, 16))
    assert pile_up is not None
    assert pile_up.level == 21_000


def test_a_level_that_others_exceed_is_not_sound():
    """A pile-up far below the brightest pixels of many other subs is left out."""
    found = [4095.0, 0.0, 1500.0, 4095.0, 0.0]
    tops = [4095.0, 900.0, 1500.0, 4095.0, 0.0]
    np.testing.assert_array_equal(sound_levels(found, tops), [True, False, False, True, False])


def test_few_pixels_have_no_top():
    """The top is the sixth brightest pixel, 0 where there are fewer."""
    values = np.arange(9, 0, -1, dtype=np.float32)
    place = np.zeros(9, dtype=np.int32)
    assert Brightest(values, place, place, 0.0, 1.0, 1.0).top == 4
    assert Brightest(values[:5], place[:5], place[:5], 0.0, 1.0, 1.0).top == 0


def test_twelve_bits_are_found(raw_series):
    """Each light of a camera of 12 bits in files of 16 shows 4095."""
    for path in raw_series("wide-drifting").some("*", 6):
        with open_raw(path) as image:
            pile_up = find_pile_up(brightest_pixels(image.words, image.shape, image.step))
        assert pile_up is not None
        assert pile_up.level == 4095


def test_a_full_well_is_found(raw_series):
    """Lights of a CCD whose wells are full at 62,000 of 65,535 ADU agree on that within 2 %."""
    for path in raw_series("changing-seeing").some("a-240s.Light*", 4):
        with open_raw(path) as image:
            pile_up = find_pile_up(brightest_pixels(image.words, image.shape, image.step))
        assert pile_up is not None
        assert pile_up.level == pytest.approx(62_300, rel=0.02)
