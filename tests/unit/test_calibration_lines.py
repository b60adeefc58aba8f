import numpy as np
import pytest

from platelib.calibration import BAD, Correction, Detector, calibrate
from platelib.calibration_lines import CalibrationLines, along_lines, fill_lines

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
    lines = CalibrationLines.empty(SHAPE)
    fill_lines(lines, correction)
    return lines


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
def test_lines_give_what_calibrating_gives(which, order, words):
    """Values agree with those of calibrate() to the rounding of the count, masks exactly."""
    planes = {k: v for k, v in _planes(order).items() if k in CORRECTIONS[which]}
    masks = _masks()[: len(planes)]
    correction = Correction(**planes, dark_scale=0.7, masks=masks, level=-12.0)
    counts = np.random.default_rng(2).integers(300, 65536, SHAPE)
    raw = (counts - 32768).astype(">i2") if words else counts.astype(np.float32)
    expected, _, mask = calibrate(raw, correction, DETECTOR)
    values, flags = along_lines(raw, _lines(correction), DETECTOR)
    np.testing.assert_array_equal(flags, mask)
    good = (mask & BAD) == 0
    np.testing.assert_allclose(values[good], expected[good], atol=0.02)
    assert np.isnan(values[~good]).all()
    assert good.sum() > 0.9 * good.size


def test_missing_data_are_bad():
    """A count that is not there is a bad pixel."""
    raw = np.full(SHAPE, 1000, dtype=np.float32)
    raw[4, 7] = np.nan
    values, flags = along_lines(raw, _lines(Correction()), DETECTOR)
    assert np.isnan(values[4, 7])
    assert np.argwhere(flags & BAD).tolist() == [[4, 7]]


def test_an_unknown_gain_leaves_the_unit():
    """Without a gain values stay in ADU."""
    raw = np.full(SHAPE, 1000, dtype=np.float32)
    values, _ = along_lines(raw, _lines(Correction(level=100.0)), Detector(0.0, 0.0, np.inf))
    np.testing.assert_array_equal(values, 900)


def test_rows_are_those_of_the_whole():
    """Some rows of lines, and what lies along them, are rows of all, in memory that is given."""
    correction = Correction(**_planes(">"), masks=_masks())
    raw = np.random.default_rng(3).integers(-32768, 32767, SHAPE).astype(">i2")
    lines = _lines(correction)
    whole = along_lines(raw, lines, DETECTOR)
    part = CalibrationLines.empty((6, SHAPE[1]))
    fill_lines(part, correction.rows(10, 16))
    out = np.empty((6, SHAPE[1]), dtype=np.float32), np.empty((6, SHAPE[1]), dtype=np.uint8)
    for some in (part, lines.rows(10, 16)):
        assert along_lines(raw[10:16], some, DETECTOR, out) is out
        for plane, rows in zip(whole, out, strict=True):
            np.testing.assert_array_equal(plane[10:16], rows)
