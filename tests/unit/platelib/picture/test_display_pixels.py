"""Kernels of the display against the array functions that they stand for."""

import numpy as np
import pytest

from platelib.colour.luminance import replace_lightness, scale_chroma
from platelib.picture.display_pixels import highest_value, put_pixels, tone_of
from platelib.picture.stretch import AsinhCurve, Shoulder, brightest, fit_curve, stretch_planes

CURVES = {
    "usual": (fit_curve(100.0, 4.0, 9000.0, sky_level=0.09, black_sigma=2.5), 0.8),
    "cut": (fit_curve(100.0, 4.0, 9000.0, sky_level=0.09, black_sigma=2.5), 1.0),
    "nearly straight": (fit_curve(0.0, 1.0, 12.0, sky_level=0.2, black_sigma=2.0), 0.5),
    "steep": (fit_curve(1e-3, 1e-4, 30.0, sky_level=0.3, black_sigma=3.0), 0.7),
}


def _light(curve, seed=3, shape=(40, 60)):
    """Draw light from below black to far above white, in all ratios of the colours."""
    rng = np.random.default_rng(seed)
    bright = curve.stretch * 10 ** rng.uniform(-3, 2.5, shape)
    light = curve.minimum + bright * rng.dirichlet([0.6, 0.6, 0.6], shape).transpose(2, 0, 1) * 3
    light[:, :3] = curve.minimum - curve.stretch * rng.random((3, 3, shape[1]))
    light[:, 5, 7:9] = curve.minimum
    return light.astype(np.float32)


def _tone(light, curve, start):
    """Return the tone of light, and the shoulder that it stands for."""
    top = brightest(light, curve)
    return tone_of(curve, start, float(light.max()), top), Shoulder(start, top)


def _levels(display):
    return np.moveaxis(display, 0, -1) * 65535


def _drawn(planes, light=None, whiteness=None, tones=(), saturation=1.0, gain=2.0):
    out = np.empty((*planes.shape[1:], 3), dtype=np.uint16)
    black = put_pixels(planes, light, whiteness, *tones, saturation, gain, out)
    return out.astype(float), black


@pytest.mark.parametrize("name", CURVES)
def test_the_stretch_is_that_of_arrays(name):
    """Values are rounded once: no more than 0.51 of a 16-bit step from the array's doubles."""
    curve, start = CURVES[name]
    light = _light(curve)
    tone, shoulder = _tone(light, curve, start)
    drawn, black = _drawn(light, tones=(tone, None))
    expected = _levels(stretch_planes(light, curve, shoulder))
    np.testing.assert_allclose(drawn, expected, atol=0.51)
    assert black == 0


@pytest.mark.parametrize("name", CURVES)
def test_grey_is_one_plane(name):
    """It is shown in all three colours."""
    curve, start = CURVES[name]
    light = _light(curve)[:1]
    tone, shoulder = _tone(light, curve, start)
    drawn, _ = _drawn(light, tones=(tone, None))
    expected = _levels(np.repeat(stretch_planes(light, curve, shoulder), 3, axis=0))
    np.testing.assert_allclose(drawn, expected, atol=0.51)


@pytest.mark.parametrize("saturation", [0.0, 0.6, 1.7])
def test_chroma_is_scaled_as_in_arrays(saturation):
    """Colours that no display shows are made paler at the same place."""
    curve, start = CURVES["usual"]
    light = _light(curve)
    tone, shoulder = _tone(light, curve, start)
    drawn, _ = _drawn(light, tones=(tone, None), saturation=saturation)
    expected = scale_chroma(stretch_planes(light, curve, shoulder), saturation)
    np.testing.assert_allclose(drawn, _levels(expected), atol=1.5)


@pytest.mark.parametrize("gain", [1.0, 2.0, 10.0])
def test_lightness_is_replaced_as_in_arrays(gain):
    """The luminance has a curve of its own."""
    curve, start = CURVES["usual"]
    other = fit_curve(0.0, 1.0, 900.0, sky_level=0.12, black_sigma=2.5)
    light, grey = _light(curve), _light(other, seed=4)[:1]
    tones = [_tone(light, curve, start), _tone(grey, other, start)]
    drawn, _ = _drawn(light, grey[0], tones=(tones[0][0], tones[1][0]), gain=gain)
    display = stretch_planes(light, curve, tones[0][1])
    expected = replace_lightness(display, stretch_planes(grey, other, tones[1][1])[0], gain)
    # Where black has next to no lightness, its hue is that of the last bits.
    seen = display.max(axis=0) > 1e-4
    np.testing.assert_allclose(drawn[seen], _levels(expected)[seen], atol=1.5)


def test_cores_turn_white():
    """Whiteness raises colours towards the brightest of them."""
    curve, start = CURVES["usual"]
    light = _light(curve)
    tone, shoulder = _tone(light, curve, start)
    whiteness = np.random.default_rng(1).random(light.shape[1:]).astype(np.float32)
    drawn, _ = _drawn(light, whiteness=whiteness, tones=(tone, None))
    display = stretch_planes(light, curve, shoulder)
    expected = display + whiteness * (display.max(axis=0) - display)
    np.testing.assert_allclose(drawn, _levels(expected), atol=0.51)


def test_pixels_without_data_are_black_and_counted():
    """A gap in one plane, or in the luminance, is one of the pixel."""
    curve, start = CURVES["usual"]
    light = _light(curve)
    tone, _ = _tone(light, curve, start)
    grey = light[1].copy()
    light[0, 10, 10], light[2, 11, 10], grey[30, 30] = np.nan, np.inf, np.nan
    drawn, black = _drawn(light, grey, tones=(tone, tone))
    assert black == 3
    assert not drawn[[10, 11, 30], [10, 10, 30]].any()
    assert drawn[12, 10].any()


@pytest.mark.parametrize("count", [1, 3])
def test_the_highest_value_is_that_of_the_curve(count):
    """Gaps do not count."""
    curve, _ = CURVES["steep"]
    light = _light(curve)[:count]
    light[0, 0, 0] = np.nan
    tone = tone_of(curve, 0.8, float(np.nanmax(light)))
    assert highest_value(light, tone) == pytest.approx(brightest(light, curve), rel=3e-7)
    assert highest_value(np.full((count, 2, 2), np.nan, np.float32), tone) == 0


def test_a_curve_of_no_light_is_black():
    """The brightest pixel may lie below black."""
    tone = tone_of(AsinhCurve(5.0, 1.0, 8.0), 0.8, 2.0)
    drawn, _ = _drawn(np.ones((3, 2, 2), np.float32), tones=(tone, None))
    assert not drawn.any()
