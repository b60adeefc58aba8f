import numpy as np
import pytest

from platelib.colour.luminance import MAX_LIFT, fit_gamut, replace_lightness, scale_chroma
from platelib.colour.srgb import decode, encode, to_oklab


def _lab(display):
    return to_oklab(decode(display))


def _hue(lab):
    return np.degrees(np.arctan2(lab[2], lab[1]))


def _turn(first, second):
    return np.abs((_hue(first) - _hue(second) + 180) % 360 - 180)


@pytest.fixture
def colours():
    """Draw display colours with some chroma."""
    display = np.random.default_rng(6).uniform(0.05, 1, (3, 4000))
    lab = _lab(display)
    return display[:, np.hypot(lab[1], lab[2]) > 0.02]


def test_luminance_keeps_hue(colours):
    """A new lightness turns no hue by as much as one degree, in or out of gamut."""
    brightness = np.random.default_rng(7).uniform(0.02, 0.98, colours.shape[1])
    result = replace_lightness(colours, brightness)
    lab = _lab(result)
    visible = np.hypot(lab[1], lab[2]) > 0.005
    assert visible.mean() > 0.9
    assert _turn(_lab(colours), lab)[visible].max() < 1.0


def test_luminance_sets_lightness(colours):
    """The lightness is that of the grey picture."""
    brightness = np.random.default_rng(7).uniform(0, 1, colours.shape[1])
    lab = _lab(replace_lightness(colours, brightness))
    np.testing.assert_allclose(lab[0], np.cbrt(decode(brightness)), atol=2e-4)


def test_chroma_grows_with_lightness():
    """Inside the gamut the ratio of chroma to lightness stays."""
    colour = np.array([[0.30], [0.33], [0.36]])
    before, after = _lab(colour), _lab(replace_lightness(colour, np.array([0.5])))
    ratio = [np.hypot(lab[1], lab[2]) / lab[0] for lab in (before, after)]
    np.testing.assert_allclose(ratio[1], ratio[0], rtol=1e-3)


def test_the_same_lightness_changes_nothing(colours):
    """A luminance that equals the picture's own lightness gives the picture back."""
    own = encode(_lab(colours)[0] ** 3)
    np.testing.assert_allclose(replace_lightness(colours, own), colours, atol=2e-4)


def test_colour_in_darkness_is_not_amplified():
    """A dark colour lifted far gains chroma by no more than the limit; black becomes grey."""
    dark = np.array([[0.05, 0.0], [0.02, 0.0], [0.02, 0.0]])
    lab = _lab(replace_lightness(dark, np.array([0.6, 0.6])))
    before = _lab(dark)
    assert np.hypot(*lab[1:, 0]) <= MAX_LIFT * np.hypot(*before[1:, 0]) * 1.001
    np.testing.assert_allclose(lab[1:, 1], 0, atol=1e-6)


def test_results_can_be_shown(colours):
    """No result leaves the range from 0 to 1."""
    result = replace_lightness(colours, np.full(colours.shape[1], 0.95))
    assert result.min() >= 0
    assert result.max() <= 1


def test_saturation_scales_chroma(colours):
    """Half the saturation is half the chroma at the same hue and lightness; zero is grey."""
    before, after = _lab(colours), _lab(scale_chroma(colours, 0.5))
    np.testing.assert_allclose(after[0], before[0], atol=2e-4)
    np.testing.assert_allclose(after[1:], before[1:] / 2, atol=2e-3)
    assert np.ptp(scale_chroma(colours, 0.0), axis=0).max() < 1e-4


def test_gamut_gives_up_chroma_only():
    """An impossible colour keeps hue and lightness and lands on the edge of the gamut."""
    wild = np.array([[0.6], [0.4], [0.1]])
    light = fit_gamut(wild)
    lab = to_oklab(light)
    assert lab[0] == pytest.approx(0.6, abs=1e-3)
    assert _turn(wild, lab).max() < 0.2
    assert min(light.min(), 1 - light.max()) == pytest.approx(0, abs=2e-6)


def test_missing_pixels_stay_missing():
    """NaN in, NaN out."""
    display = np.full((3, 2), 0.5)
    display[0, 1] = np.nan
    result = replace_lightness(display, np.array([0.4, 0.4]))
    assert np.isfinite(result[:, 0]).all()
    assert np.isnan(result[:, 1]).any()
