import numpy as np
import pytest

from platelib.calibration.calibrate import (
    Detector,
    along_lines,
    along_lines_with_variance,
    calibrate,
)
from platelib.calibration.correction import CalibrationLines, Correction, lines_of
from platelib.numerics.mask_bits import BAD, SATURATED

SHAPE = (37, 53)
DETECTOR = Detector(0.85, 3.0, 60000.0)


def _planes(order: str) -> dict:
    """Planes of masters in a byte order."""
    rng = np.random.default_rng(1)
    flat = rng.uniform(0.6, 1.2, SHAPE)
    flat[5, 6] = np.nan
    planes = {"bias": rng.normal(500, 2, SHAPE), "dark": rng.exponential(9, SHAPE), "flat": flat}
    return {name: plane.astype(f"{order}f4") for name, plane in planes.items()}


def _masks() -> tuple[np.ndarray, np.ndarray]:
    masks = np.zeros((2, *SHAPE), dtype=np.uint8)
    masks[0, 3, 4], masks[1, 8, 50], masks[0, 30] = 1, 4, 2
    return masks[0], masks[1]


def _lines(correction: Correction) -> CalibrationLines:
    return lines_of(correction, (0, SHAPE[0]), (0, SHAPE[1]))


def _along(raw, lines, detector=DETECTOR):
    """Values and mask of whole frames."""
    out = np.empty(SHAPE, dtype=np.float32), np.empty(SHAPE, dtype=np.uint8)
    along_lines(raw, (0, 0), lines, detector, out)
    return out


CORRECTIONS = {
    "all": ("bias", "dark", "flat"),
    "bias": ("bias",),
    "dark and flat": ("dark", "flat"),
    "flat": ("flat",),
    "nothing": (),
}


@pytest.mark.parametrize("which", CORRECTIONS)
@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("words", [True, False])
def test_lines_give_what_the_formula_says(which, order, words):
    """Values, variances and masks are those of the formula, to the rounding of the count."""
    planes = {k: v for k, v in _planes(order).items() if k in CORRECTIONS[which]}
    masks = _masks()[: len(planes)]
    correction = Correction(
        **planes, dark_scale=0.7, masks=masks, level=-12.0, zero=480.0, variance=0.5
    )
    counts = np.random.default_rng(2).integers(300, 65536, SHAPE)
    raw = (counts - 32768).astype(">i2") if words else counts.astype(np.float32)
    wide = {kind: plane.astype(np.float64) for kind, plane in planes.items()}
    flat = wide.get("flat", np.ones(SHAPE))
    light = counts - wide.get("bias", -12.0) - 0.7 * wide.get("dark", 0.0)
    expected = DETECTOR.gain * light / flat
    photons = np.maximum(counts - 480.0, 0) * DETECTOR.gain
    spread = (DETECTOR.read_noise**2 + 0.5 * DETECTOR.gain**2 + photons) / flat**2
    good = ~(np.any(masks, axis=0) if masks else np.zeros(SHAPE, dtype=bool)) & ~np.isnan(flat)
    assert good.sum() > 0.9 * good.size

    values, flags = _along(raw, _lines(correction))
    np.testing.assert_allclose(values[good], expected[good], atol=0.02)
    assert np.isnan(values[~good]).all()
    np.testing.assert_array_equal((flags & BAD) == 0, good)
    np.testing.assert_array_equal((flags & SATURATED) > 0, counts >= DETECTOR.saturation)

    same, variance, mask = calibrate(raw, correction, DETECTOR)
    np.testing.assert_array_equal(same, values)
    np.testing.assert_array_equal(mask, flags)
    np.testing.assert_allclose(variance[good], spread[good], rtol=1e-5)
    assert not variance[~good].any()


def test_missing_data_are_bad():
    """A count that is not there is a bad pixel."""
    raw = np.full(SHAPE, 1000, dtype=np.float32)
    raw[4, 7] = np.nan
    values, flags = _along(raw, _lines(Correction()))
    assert np.isnan(values[4, 7])
    assert np.argwhere(flags & BAD).tolist() == [[4, 7]]


def test_an_unknown_gain_leaves_the_unit():
    """Without a gain values stay in ADU."""
    raw = np.full(SHAPE, 1000, dtype=np.float32)
    values, _ = _along(raw, _lines(Correction(level=100.0)), Detector(0.0, 0.0, np.inf))
    np.testing.assert_array_equal(values, 900)


@pytest.mark.parametrize("words", [True, False])
def test_a_window_is_that_of_the_whole(words):
    """A window of lines, larger than asked for, gives the pixels of the whole frame."""
    correction = Correction(**_planes(">"), masks=_masks(), zero=500.0)
    raw = np.random.default_rng(3).integers(-32768, 32767, SHAPE).astype(">i2")
    raw = raw if words else raw.astype(np.float32)
    whole = calibrate(raw, correction, DETECTOR)
    lines = lines_of(correction, (8, 18), (5, 40), np.empty(2000, dtype=np.float32))
    planes = (np.float32, np.float32, np.uint8)
    out = tuple(np.empty((6, 21), dtype=dtype) for dtype in planes)
    along_lines_with_variance(raw[10:16], (10, 9), lines, DETECTOR, 0.0, out)
    for plane, part in zip(whole, out, strict=True):
        np.testing.assert_array_equal(plane[10:16, 9:30], part)


def test_windows_must_hold_what_is_wanted():
    """Lines of another window, or planes of another shape, are the caller's mistake."""
    correction, raw = Correction(**_planes(">")), np.zeros(SHAPE, dtype=np.float32)
    out = np.empty((6, 20), dtype=np.float32), np.empty((6, 20), dtype=np.uint8)
    lines = lines_of(correction, (8, 18), (5, 40))
    for place in ((7, 9), (13, 9), (10, 4), (10, 21)):
        with pytest.raises(ValueError, match="lines of"):
            along_lines(raw[10:16], place, lines, DETECTOR, out)
    with pytest.raises(ValueError, match="window"):
        lines_of(correction, (30, 38), (0, 53))
