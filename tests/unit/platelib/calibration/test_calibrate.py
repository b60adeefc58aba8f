from dataclasses import replace

import astropy.units as u
import ccdproc
import numpy as np
import pytest
from astropy.nddata import CCDData

from platelib.calibration.calibrate import Detector, calibrate
from platelib.calibration.correction import Correction
from platelib.numerics.mask_bits import BAD, SATURATED

SHAPE = (61, 83)


def _planes(seed: int):
    """Raw counts, bias, dark current in counts, flat; float32."""
    rng = np.random.default_rng(seed)
    y, x = np.indices(SHAPE)
    bias = 500 + 0.1 * x + rng.normal(0, 1, SHAPE)
    dark = 20 + rng.exponential(5, SHAPE)
    flat = (1 - 2e-5 * ((x - 40) ** 2 + (y - 30) ** 2)) * rng.normal(1, 0.01, SHAPE)
    raw = bias + dark + 3000 * flat + rng.normal(0, 30, SHAPE)
    return [plane.astype(np.float32) for plane in (raw, bias, dark, flat)]


def _correction(bias, dark, flat, offset_variance=0.0) -> Correction:
    return Correction(
        bias,
        dark,
        (flat / flat.mean(dtype=np.float64)).astype(np.float32),
        masks=(np.zeros(bias.shape, dtype=np.uint8),),
        zero=float(np.median(bias)),
        variance=offset_variance,
    )


def test_calibration_equals_ccdproc():
    """Electrons equal ccdproc's subtract_bias, subtract_dark and flat_correct to float32."""
    raw, bias, dark, flat = _planes(1)
    frame = CCDData(raw.astype(np.float64), unit="adu")
    frame = ccdproc.subtract_bias(frame, CCDData(bias.astype(np.float64), unit="adu"))
    frame = ccdproc.subtract_dark(
        frame,
        CCDData(dark.astype(np.float64), unit="adu"),
        dark_exposure=60 * u.s,
        data_exposure=60 * u.s,
    )
    frame = ccdproc.flat_correct(frame, CCDData(flat.astype(np.float64), unit="adu"))
    electrons, _, mask = calibrate(raw, _correction(bias, dark, flat), Detector(1.7, 3.0, 65000.0))
    np.testing.assert_allclose(electrons / 1.7, frame.data, rtol=1e-6)
    assert not mask.any()


def test_scaled_dark_equals_ccdproc():
    """A dark of another exposure, scaled, equals ccdproc's subtract_dark with scale."""
    raw, bias, dark, flat = _planes(2)
    frame = ccdproc.subtract_dark(
        CCDData(raw.astype(np.float64) - bias, unit="adu"),
        CCDData(dark.astype(np.float64), unit="adu"),
        dark_exposure=120 * u.s,
        data_exposure=30 * u.s,
        scale=True,
    )
    correction = replace(_correction(bias, dark, np.ones_like(flat)), dark_scale=0.25)
    electrons, _, _ = calibrate(raw, correction, Detector(1.0, 3.0, 65000.0))
    np.testing.assert_allclose(electrons, frame.data, rtol=2e-6)


@pytest.mark.parametrize("light", [0.0, 50.0, 5000.0])
def test_variance_is_honest(light):
    """The stated variance is that of repeated exposures, masters included, within 3 %."""
    rng = np.random.default_rng(int(light))
    shape, gain, read_noise, dark = (200, 301), 1.6, 4.0, 30.0
    response = np.where(np.arange(301) < 150, 0.8, 1.2).astype(np.float32)
    response = np.broadcast_to(response, shape).copy()
    electrons = rng.poisson(dark + light * response) + rng.normal(0, read_noise, shape)
    master_variance = 1.5
    offset = 300 + dark / gain + rng.normal(0, np.sqrt(master_variance), shape)
    correction = Correction(
        offset.astype(np.float32), None, response, zero=300.0, variance=master_variance
    )
    raw = (300 + electrons / gain).astype(np.float32)
    value, variance, _ = calibrate(raw, correction, Detector(gain, read_noise, np.inf))
    for part in (np.s_[:, :150], np.s_[:, 150:]):
        assert value[part].mean() == pytest.approx(light, abs=0.2 + 0.002 * light)
        assert variance[part].mean() == pytest.approx(value[part].var(), rel=0.03)


def test_unknown_gain_keeps_the_unit():
    """Without a gain values stay in their unit and every variance is the given one."""
    raw, bias, dark, flat = _planes(3)
    correction = _correction(bias, dark, flat)
    known, _, _ = calibrate(raw, correction, Detector(1.0, 3.0, np.inf))
    unknown, variance, _ = calibrate(raw, correction, Detector(0.0, 3.0, np.inf), 12.5)
    np.testing.assert_array_equal(known, unknown)
    assert (variance == 12.5).all()


def test_no_correction_changes_nothing():
    """Without masters electrons are the raw counts times the gain."""
    raw = _planes(4)[0]
    electrons, variance, mask = calibrate(raw, Correction(), Detector(2.0, 3.0, 1e6))
    np.testing.assert_array_equal(electrons, 2 * raw)
    np.testing.assert_allclose(variance, 9 + 2 * raw, rtol=1e-6)
    assert not mask.any()


def test_masks_say_what_is_wrong():
    """Bad, missing and saturated pixels have their bits, alone or together."""
    raw, bias, dark, flat = _planes(5)
    correction = _correction(bias, dark, flat)
    correction.masks[0][3, 4] = 1
    correction.masks[0][5, 6] = 4
    correction.flat[7, 8] = np.nan
    raw[9, 10] = np.nan
    raw[11, 12] = 60000
    raw[3, 4] = 60001
    _, variance, mask = calibrate(raw, correction, Detector(1.0, 3.0, 60000.0))
    expected = np.zeros(SHAPE, dtype=np.uint8)
    expected[5, 6] = expected[7, 8] = expected[9, 10] = BAD
    expected[11, 12] = SATURATED
    expected[3, 4] = BAD | SATURATED
    np.testing.assert_array_equal(mask, expected)
    # Nothing but finite noise goes on to be resampled.
    np.testing.assert_array_equal(variance == 0, mask & BAD != 0)
    assert np.isfinite(variance).all()


def test_bands_equal_the_whole():
    """Calibrating bands of rows gives the bits of the whole frame."""
    raw, bias, dark, flat = _planes(6)
    correction = _correction(bias, dark, flat, 2.0)
    detector = Detector(0.7, 3.0, 3300.0)
    whole = calibrate(raw, correction, detector)
    for start, stop in ((0, 20), (20, 21), (21, 61)):
        band = calibrate(raw[start:stop], correction.rows(start, stop), detector)
        for part, plane in zip(band, whole, strict=True):
            np.testing.assert_array_equal(part, plane[start:stop])


def test_shapes_must_agree():
    """Masters of another size are refused with both sizes."""
    with pytest.raises(ValueError, match=r"raw frame is \(4, 5\), its correction \(5, 4\)"):
        calibrate(np.ones((4, 5), np.float32), Correction(np.ones((5, 4), np.float32)))


def test_a_pedestal_counts_where_there_is_no_bias():
    """The level is taken off where no bias is; a bias, which holds it too, takes its place."""
    raw, bias, _, _ = _planes(7)
    without, _, _ = calibrate(raw, Correction(level=100.0))
    np.testing.assert_array_equal(without, raw - np.float32(100))
    with_bias, _, _ = calibrate(raw, Correction(bias, level=100.0))
    np.testing.assert_array_equal(with_bias, raw - bias)


def test_words_of_the_file_give_the_same_as_values():
    """Unsigned 16-bit data straight from a FITS file are calibrated as their values are."""
    rng = np.random.default_rng(8)
    values = rng.integers(0, 65536, SHAPE)
    words = (values - 32768).astype(">i2")
    for one, other in zip(calibrate(words), calibrate(values.astype(np.float32)), strict=True):
        np.testing.assert_array_equal(one, other)


def test_the_byte_order_of_masters_does_not_matter():
    """Masters mapped from FITS files, big-endian, give the bits of native ones."""
    raw, bias, dark, flat = _planes(9)
    native = _correction(bias, dark, flat)
    mapped = replace(native, bias=bias.astype(">f4"), flat=native.flat.astype(">f4"))
    detector = Detector(1.3, 3.0, 60000.0)
    pairs = zip(calibrate(raw, native, detector), calibrate(raw, mapped, detector), strict=True)
    for one, other in pairs:
        np.testing.assert_array_equal(one, other)
