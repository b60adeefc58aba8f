"""Display values of frames by one background and one curve."""

import numpy as np
import pytest

from platelib.blink.display_levels import (
    common_background,
    display_curve,
    display_values,
    frame_noise,
    mean_of,
    without_small_gaps,
)


def series(seed, count=8, shape=(90, 130), noise=2.0, level=100.0):
    """Draw frames of noise about a level, with stars that stay and one source that moves."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: shape[0], : shape[1]]
    sky = level + 0.3 * x + 0.1 * y
    stars = np.zeros(shape)
    for _ in range(25):
        px, py = rng.uniform(0, shape[1]), 52 + rng.uniform(0, shape[0] - 24) % (shape[0] - 24)
        py %= shape[0]  # none within 12 px of the path of the mover
        stars += rng.uniform(10, 3000) * np.exp(-((x - px) ** 2 + (y - py) ** 2) / 5)
    frames = []
    for k in range(count):
        mover = 5 * noise * np.exp(-((x - 20 - 9 * k) ** 2 + (y - 40) ** 2) / 5)
        image = sky + stars + mover + rng.normal(0, noise, shape)
        frames.append(image.astype(np.float32))
    return frames, sky


@pytest.mark.parametrize("seed", range(4))
def test_noise_is_that_of_a_frame_whatever_the_stars(seed):
    """Within 4 % of the drawn one, with stars, a slope and gaps in it."""
    frames, _ = series(seed)
    frames[2][10:60, 10:60] = np.nan
    assert frame_noise(frames) == pytest.approx(2.0, rel=0.04)


@pytest.mark.parametrize("seed", range(4))
def test_the_background_follows_the_slope_of_the_sky(seed):
    """Away from the edge within the noise of a frame."""
    frames, sky = series(seed)
    found = common_background(mean_of(frames))
    inner = np.s_[15:-15, 15:-15]
    assert np.abs(found - sky)[inner].max() < 3.0
    flat = common_background(np.full((90, 130), 7.0))
    np.testing.assert_allclose(flat, 7.0)


@pytest.mark.parametrize("seed", range(4))
def test_a_mover_of_five_sigma_is_seen_above_the_sky(seed):
    """The sky is a fifth of the scale; the peak of the mover stands out of its noise."""
    frames, _ = series(seed)
    background = common_background(mean_of(frames))
    curve = display_curve(frames, background)
    shown = np.array([display_values(frame, background, curve) for frame in frames]).astype(float)
    assert np.median(shown) == pytest.approx(0.2 * 255, abs=3)
    usual = np.median(shown, axis=0)
    scatter = 1.4826 * np.median(np.abs(shown[0] - usual))
    for k, frame in enumerate(shown):
        peak = (frame - usual)[39:42, 19 + 9 * k : 22 + 9 * k].max()
        assert peak > 25
        assert peak > 2.5 * scatter


def test_equal_pixels_have_equal_display_values_in_all_frames():
    """One curve for all: a display value depends on the pixel alone. No data is black."""
    frames, _ = series(1)
    frames[5][30:35, 50:60] = np.nan
    curve = display_curve(frames, 0.0)
    shown = [display_values(frame, 0.0, curve) for frame in frames]
    assert (shown[5][30:35, 50:60] == 0).all()
    values = np.concatenate([frame[np.isfinite(frame)] for frame in frames])
    levels = np.concatenate([s[np.isfinite(f)] for s, f in zip(shown, frames, strict=True)])
    order = np.argsort(values, kind="stable")
    assert (np.diff(levels[order].astype(int)) >= 0).all()


def test_small_gaps_are_filled_from_the_mean_and_wide_ones_stay():
    """Bad pixels and columns show the mean of all frames; the edge of a sub stays without data."""
    frame, mean = np.ones((40, 50), np.float32), np.full((40, 50), 3.0)
    frame[10, 11] = frame[20:22, 20:22] = np.nan
    frame[:, 30] = np.nan
    frame[:, :2] = np.nan
    frame[33:, 40:] = np.nan
    filled = without_small_gaps(frame, mean)
    assert filled[10, 11] == filled[21, 21] == 3.0
    assert (filled[5:, 30] == 3.0).all()
    assert np.isnan(filled[:, :2]).all()
    assert np.isnan(filled[33:, 40:]).all()
    whole = np.ones((5, 6), np.float32)
    assert without_small_gaps(whole, whole) is whole


def test_empty_frames_are_refused():
    """Without noise or data there is nothing to show."""
    with pytest.raises(ValueError, match="no noise to measure"):
        display_curve([np.ones((20, 30), np.float32)] * 3, 0.0)
    with pytest.raises(ValueError, match="no noise to measure"):
        frame_noise([np.full((20, 30), np.nan, np.float32)] * 2)


def test_one_frame_is_shown_too():
    """Its noise is the spread of its pixels."""
    frames, _ = series(3, count=1)
    shown = display_values(frames[0], 0.0, display_curve(frames, 0.0))
    assert shown.max() > 150
