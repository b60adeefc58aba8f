import numpy as np
import pytest

from platelib.colour.grey_sky import measure_sky


def _picture(level=5.0, noise=2.0, shape=(203, 310), seed=1):
    return np.random.default_rng(seed).normal(level, noise, shape).astype(np.float32)


def _galaxy(shape, peak, scale):
    y, x = np.indices(shape)
    return peak * np.exp(-np.hypot(x - shape[1] / 2, y - shape[0] / 2) / scale)


def test_level_and_noise_of_an_empty_sky():
    """An empty sky gives its level to a few hundredths of the noise, and its noise to 2 %."""
    skies, share = measure_sky(np.stack([_picture(), _picture(-3.0, 0.5, seed=2)]))
    assert skies[0].level == pytest.approx(5.0, abs=0.06)
    assert skies[0].noise == pytest.approx(2.0, rel=0.02)
    assert skies[0].scatter == pytest.approx(2.0, rel=0.02)
    assert skies[1].level == pytest.approx(-3.0, abs=0.015)
    assert skies[1].noise == pytest.approx(0.5, rel=0.02)
    assert share > 0.8


def test_a_galaxy_and_stars_do_not_lift_the_sky():
    """With a galaxy over a third of the picture the sky is right to a tenth of the noise."""
    plane = _picture()
    plane += _galaxy(plane.shape, 300, 18).astype(np.float32)
    rng = np.random.default_rng(4)
    plane[rng.integers(0, 203, 60), rng.integers(0, 310, 60)] += 5000
    (sky,), _ = measure_sky(plane[None])
    assert sky.level == pytest.approx(5.0, abs=0.2)


def test_all_planes_use_the_same_pixels():
    """Light over most of one plane takes its pixels out of the sky of the others as well."""
    plain, lit = _picture(), _picture(seed=2)
    lit[:, :190] += np.linspace(60, 20, 190, dtype=np.float32)
    plain[:, :190] += 0.4
    skies, share = measure_sky(np.stack([plain, lit]))
    assert skies[0].level == pytest.approx(5.0, abs=0.1)
    assert share < 0.4


def test_a_gradient_is_scatter_and_not_noise():
    """A gradient widens the scatter about the level but not the noise of a pixel."""
    plane = _picture(noise=1.0)
    plane += np.linspace(-5, 5, plane.shape[1], dtype=np.float32)
    (sky,), _ = measure_sky(plane[None])
    assert sky.noise == pytest.approx(1.0, rel=0.06)
    assert sky.scatter > 2


def test_missing_pixels_do_not_spread():
    """A NaN in each hundredth pixel leaves a measurement."""
    plane = _picture()
    plane[:60] = np.nan
    plane[::40, ::40] = np.nan
    (sky,), _ = measure_sky(plane[None])
    assert sky.level == pytest.approx(5.0, abs=0.08)


@pytest.mark.parametrize(
    ("plane", "message"),
    [
        (np.full((50, 60), np.nan, np.float32), "no part of the picture has data"),
        (np.zeros((5, 90), np.float32), "a picture of 90 x 5 pixels is too small"),
    ],
)
def test_nothing_to_measure_is_said(plane, message):
    """A picture without data and a picture without size are refused."""
    with pytest.raises(ValueError, match=message):
        measure_sky(plane[None])
