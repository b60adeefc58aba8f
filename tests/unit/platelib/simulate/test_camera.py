import numpy as np
import pytest
from unit.platelib.simulate.plain import plain_camera

from platelib.simulate.camera import (
    CameraSpec,
    build_camera,
    draw_bias,
    draw_dark,
    draw_flat,
    light_response,
    read_out,
)

WIDE, HIGH = 320, 240


def _rng(seed: int = 0) -> np.random.Generator:
    return np.random.default_rng(seed)


def test_photon_transfer_returns_gain_and_read_noise() -> None:
    """Two flats and two bias frames give back the gain and the read noise of the camera."""
    camera = build_camera(CameraSpec(width_px=WIDE, height_px=HIGH, unstable_count=0))
    rng = _rng(2)
    flats = [draw_flat(camera, 1.0, rng).astype(np.float64) for _ in range(2)]
    biases = [draw_bias(camera, rng).astype(np.float64) for _ in range(2)]
    window = (slice(60, 180), slice(80, 240))
    f1, f2, b1, b2 = (frame[window] for frame in flats + biases)
    light = (f1 + f2).mean() - (b1 + b2).mean()
    # Howell, Handbook of CCD Astronomy, section 4.3; formula from memory.
    gain = light / (np.var(f1 - f2) - np.var(b1 - b2))
    assert gain == pytest.approx(camera.spec.gain_e_per_adu, rel=0.05)
    # Rounding to whole counts adds 1/12 to the variance.
    noise = np.sqrt(np.var(b1 - b2) / 2 - 1 / 12) * camera.spec.gain_e_per_adu
    assert noise == pytest.approx(camera.spec.read_noise_e, rel=0.02)


@pytest.mark.parametrize("level", [3.0, 40.0, 199.0, 201.0, 900.0])
def test_shot_noise_has_the_variance_of_the_light(level: float) -> None:
    """Mean and variance of the charge equal the level, on both sides of the normal limit."""
    camera = build_camera(plain_camera(400, 300, read_noise_e=0.0, gain_e_per_adu=0.1))
    light = np.full((300, 400), level, dtype=np.float32)
    charge = (read_out(camera, light, _rng(1)) - 500.0) * 0.1
    assert charge.mean() == pytest.approx(level, abs=5 * np.sqrt(level / charge.size))
    assert charge.var() == pytest.approx(level, rel=0.025)


def test_dark_grows_with_exposure() -> None:
    """The dark signal is proportional to the exposure, hot pixels and glow included."""
    camera = build_camera(CameraSpec(width_px=WIDE, height_px=HIGH, unstable_count=0))
    rng = _rng(3)
    stacks = {
        exposure: np.mean([draw_dark(camera, exposure, rng) for _ in range(8)], axis=0)
        - camera.bias_adu
        for exposure in (100.0, 400.0)
    }
    x, y = camera.hot.T
    warm = camera.dark_e_s[y, x] < 60
    ratio = stacks[400.0][y, x][warm].sum() / stacks[100.0][y, x][warm].sum()
    assert ratio == pytest.approx(4.0, rel=0.02)
    corner = (slice(-20, None), slice(-20, None))
    glow = np.median(stacks[400.0][corner]) / np.median(stacks[100.0][corner])
    assert glow == pytest.approx(4.0, rel=0.1)
    assert np.median(stacks[400.0][:20, :20]) < 0.2 * np.median(stacks[400.0][corner])


def test_hot_pixels_are_where_the_camera_says() -> None:
    """In a long dark all hot pixels, and no pixel elsewhere, stand far out."""
    spec = CameraSpec(width_px=WIDE, height_px=HIGH, unstable_count=0, glow_e_s=0.0)
    camera = build_camera(spec)
    dark = draw_dark(camera, 600.0, _rng(4)) - camera.bias_adu
    hot = np.zeros(dark.shape, dtype=bool)
    hot[camera.hot[:, 1], camera.hot[:, 0]] = True
    assert hot.sum() == round(spec.hot_fraction * WIDE * HIGH)
    assert dark[hot].min() > 60
    assert dark[~hot].max() < 60


def test_unstable_pixels_jump_between_frames() -> None:
    """A telegraph pixel is high in some frames and low in others; its neighbours are steady."""
    camera = build_camera(plain_camera(WIDE, HIGH, unstable_count=20))
    rng = _rng(5)
    frames = np.stack([draw_bias(camera, rng) for _ in range(12)]).astype(np.float64)
    spread = frames.std(axis=0)
    x, y = camera.unstable.T
    assert np.median(spread[y, x]) > 100
    assert np.median(spread) < 5


def test_vignetting_dims_the_corners() -> None:
    """The corners of a flat get the stated share less light than the middle."""
    camera = build_camera(plain_camera(WIDE, HIGH, vignetting=0.3))
    response = light_response(camera, 0)
    assert response[HIGH // 2, WIDE // 2] == pytest.approx(1.0, abs=1e-3)
    assert [response[0, 0], response[-1, -1]] == pytest.approx([0.7, 0.7], abs=1e-6)


def test_dust_differs_between_nights() -> None:
    """Dust shadows are the same in one night and elsewhere in another, and darken only."""
    camera = build_camera(plain_camera(WIDE, HIGH, dust_count=4))
    first, again, other = (light_response(camera, seed) for seed in (1, 1, 2))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
    assert 0.8 < first.min() < 0.97
    assert first.max() <= 1.0


def test_bad_column_loses_light() -> None:
    """A bad column shows a third of the light of its neighbours."""
    camera = build_camera(plain_camera(WIDE, HIGH, bad_columns=1))
    flat = draw_flat(camera, 1.0, _rng(6)) - 500.0
    column = int(camera.bad_columns[0])
    ratio = np.median(flat[:, column]) / np.median(flat[:, column + 1])
    assert ratio == pytest.approx(0.33, abs=0.01)


def test_pixel_response_has_its_spread() -> None:
    """Sensitivity differs from pixel to pixel by the stated share."""
    camera = build_camera(plain_camera(WIDE, HIGH, pixel_response=0.007))
    assert camera.response.std() == pytest.approx(0.007, rel=0.02)


def test_bias_structure_is_fixed() -> None:
    """The mean of many bias frames is the bias image of the camera."""
    camera = build_camera(plain_camera(WIDE, HIGH, bias_structure_adu=4.0))
    rng = _rng(7)
    mean = np.mean([draw_bias(camera, rng) for _ in range(30)], axis=0)
    assert np.std(mean - camera.bias_adu) == pytest.approx(3.0 / 0.85 / np.sqrt(30), rel=0.05)
    assert camera.bias_adu.std() > 3.5


def test_plain_camera_has_no_fault() -> None:
    """A plain camera has even response, no dark current and no special pixels."""
    camera = build_camera(plain_camera(40, 30))
    assert np.all(light_response(camera, 3) == 1)
    assert not camera.dark_e_s.any()
    assert len(camera.hot) == len(camera.unstable) == len(camera.dead) == 0
    assert camera.bad_columns.size == 0
    assert np.all(camera.bias_adu == 500)


def test_counts_stop_at_the_top() -> None:
    """More charge than 16 bits hold reads as 65535."""
    camera = build_camera(plain_camera(20, 10))
    raw = read_out(camera, np.full((10, 20), 1e6, dtype=np.float32), _rng())
    assert raw.dtype == np.uint16
    assert np.all(raw == 65535)
