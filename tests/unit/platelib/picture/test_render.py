import numpy as np
import pytest
from skimage.color import rgb2lab

from platelib.colour.srgb import decode, encode, to_oklab
from platelib.picture.render import choose_curve, mean_plane, render
from platelib.picture.stretch import Look

LOOK = Look(sky_level=0.09, black_sigma=2.5, white_clip_fraction=0.0005)


def _scene(shape=(280, 330)):
    """Draw a grey sky, a red, a green and a white patch of light, and two bright stars."""
    rng = np.random.default_rng(12)
    planes = rng.normal(0, [[[1.5]], [[1.0]], [[2.0]]], (3, *shape)).astype(np.float32)
    planes[0, 20:40, 20:60] += 200
    planes[1, 60:80, 20:60] += 200
    planes[:, 100:120, 20:60] += 100
    planes[:, 200, 200:204] += 4000
    planes[:, 260, 300] += 9000
    return planes


def test_the_sky_is_grey_and_as_bright_as_asked():
    """The sky's median is the wished level in each colour to one 8-bit step."""
    pixels = render(_scene(), None, LOOK).pixels
    sky = np.median(pixels[130:190, 100:].reshape(-1, 3), axis=0) / 65535
    np.testing.assert_allclose(sky, 0.09, atol=1.2 / 255)


def test_smoothing_keeps_the_sky_grey():
    """With the colours of faint light averaged the sky stays neutral, and its noise greyer."""
    look = Look(0.09, 2.5, 0.0005, colour_smoothing_px=2.0)
    plain = render(_scene(), None, LOOK).pixels[130:190, 100:].astype(float)
    smooth = render(_scene(), None, look).pixels[130:190, 100:].astype(float)
    np.testing.assert_allclose(np.median(smooth.reshape(-1, 3), axis=0) / 65535, 0.09, atol=0.005)
    assert (smooth[..., 0] - smooth[..., 2]).std() < (plain[..., 0] - plain[..., 2]).std() / 2


def test_the_sky_is_neutral_to_the_eye():
    """The sky's a and b in CIE Lab are within 1 of zero, and those told are those drawn."""
    rendering = render(_scene(), None, Look(0.09, 2.5, 0.0005, colour_smoothing_px=2.0))
    sky = decode(rendering.pixels[130:190, 100:].reshape(-1, 3) / 65535)
    drawn = rgb2lab(encode(sky.mean(axis=0)))
    assert np.abs(drawn[1:]).max() < 1
    np.testing.assert_allclose(rendering.sky_lab[1:], drawn[1:], atol=0.5)


def test_light_keeps_its_colour():
    """Red light is red, green light green, white light white."""
    pixels = render(_scene(), None, LOOK).pixels.astype(float)
    red, green, white = (
        pixels[rows, 25:55].mean(axis=(0, 1))
        for rows in (slice(22, 38), slice(62, 78), slice(102, 118))
    )
    assert red[0] > 10 * red[1:].max()
    assert green[1] > 10 * green[[0, 2]].max()
    np.testing.assert_allclose(white / white[1], 1, atol=0.02)


def test_no_more_than_the_share_is_white():
    """At most the wished share of the pixels reaches white."""
    planes = _scene()
    grey = render(planes[:1], None, Look(0.09, 2.5, 0.001)).pixels
    assert 0 < (grey == 65535).all(axis=2).mean() <= 0.0011


def test_strips_leave_no_seam(monkeypatch):
    """The height of the strips does not change a bit of the picture."""
    planes = _scene()
    look = Look(0.09, 2.5, 0.0005, saturation=1.2)
    whole = render(planes, planes[1], look).pixels
    monkeypatch.setattr("platelib.picture.render.STRIP_ROWS", 37)
    np.testing.assert_array_equal(render(planes, planes[1], look).pixels, whole)


def test_luminance_gives_the_brightness():
    """A grey luminance decides how bright each pixel is; light in red alone adds none."""
    planes = _scene()
    look = Look(0.09, 2.5, 0.0005, colour_smoothing_px=2.0)
    pixels = render(planes, planes[1], look).pixels.astype(float)
    grey = render(planes[1:2], None, LOOK).pixels.astype(float)
    assert pixels[25:35, 25:55].max() < 0.45 * 65535
    np.testing.assert_allclose(
        np.median(pixels[130:190, 100:]), np.median(grey[130:190, 100:]), rtol=0.05
    )


def test_one_plane_makes_a_grey_picture():
    """A cube of one plane gives equal red, green and blue, whatever the saturation."""
    pixels = render(_scene()[:1], None, Look(0.09, 2.5, 0.0005, saturation=2.0)).pixels
    assert np.ptp(pixels, axis=2).max() == 0


def test_gaps_are_mended_or_black():
    """A hole in a star is filled; a missing corner is black; both are counted."""
    planes = _scene()
    planes[1, 200, 201] = np.nan
    planes[:, :9, :30] = np.nan
    rendering = render(planes, None, LOOK)
    assert rendering.inpainted_px == 1
    assert rendering.black_px == 270
    assert rendering.pixels[200, 201].min() > 0
    assert rendering.pixels[:9, :30].max() == 0


def test_a_large_core_without_data_is_filled():
    """A hole of 889 pixels in a bright star is filled from its rim; one in the sky is black."""
    planes = _scene()
    y, x = np.mgrid[:280, :330]
    planes += (3000 / (1 + np.hypot(y - 180, x - 150) ** 2 / 400) ** 2).astype(np.float32)
    planes[:, np.hypot(y - 180, x - 150) < 17] = np.nan
    planes[:, 40:75, 250:285] = np.nan
    rendering = render(planes, None, LOOK)
    assert rendering.inpainted_px == np.isnan(planes[0, 150:210, 120:180]).sum() > 850
    assert rendering.black_px == 35 * 35
    assert rendering.pixels[180, 150].min() > 0.7 * rendering.pixels[180, 168].min()


def test_the_same_cube_gives_the_same_picture():
    """Two renderings agree to the last bit and leave the cube alone."""
    planes = _scene()
    before = planes.copy()
    look = Look(0.09, 2.5, 0.0005, 1.1, 2.0)
    first, second = render(planes, planes[1], look), render(planes, planes[1], look)
    np.testing.assert_array_equal(first.pixels, second.pixels)
    np.testing.assert_array_equal(planes, before)


def test_a_deeper_picture_reaches_further():
    """With half the noise the same light stands higher above the sky."""
    light = np.zeros((160, 160), np.float32)
    light[40:60, 40:60] = 3
    noise = np.random.default_rng(1).normal(0, 1, light.shape).astype(np.float32)
    light[100, 100:103] = 5000
    shallow, _ = choose_curve(light + noise, LOOK)
    deep, _ = choose_curve(light + noise / 2, LOOK)
    assert deep(3 - deep.minimum) > 1.2 * shallow(3 - shallow.minimum)


def test_an_empty_cube_is_refused():
    """A cube without noise is refused, with the reason."""
    with pytest.raises(ValueError, match="the sky has no noise"):
        render(np.zeros((3, 64, 64), np.float32), None, LOOK)


def test_the_mean_of_planes():
    """The mean is taken pixel by pixel, and lacks a pixel that one plane lacks."""
    planes = np.arange(24, dtype=np.float32).reshape(3, 2, 4)
    planes[1, 0, 0] = np.nan
    mean = mean_plane(planes)
    assert np.isnan(mean[0, 0])
    np.testing.assert_array_equal(mean[1], planes[1, 1])


def test_luminance_of_another_camera():
    """A luminance of another unit, depth and sharpness gives brightness and takes no hue away."""
    planes = _scene()
    planes[2] += np.float32(0.4) * planes[0]
    own = render(planes, None, LOOK).pixels
    rng = np.random.default_rng(4)
    other = 1e-3 * (mean_plane(planes) + rng.normal(0, 0.2, planes.shape[1:])) + 7
    pixels = render(planes, other.astype(np.float32), LOOK).pixels
    for rows in (slice(22, 38), slice(62, 78)):
        hues = [_hue(one[rows, 25:55].reshape(-1, 3)) for one in (own, pixels)]
        turn = (hues[1] - hues[0] + 180) % 360 - 180
        assert np.abs(turn).max() < 1


def _hue(pixels):
    lab = to_oklab(decode(pixels.T / 65535))
    return np.degrees(np.arctan2(lab[2], lab[1]))


def test_highlights_are_rolled_off_as_asked():
    """With a shoulder fewer pixels are white, and nothing below it changes."""
    planes = _scene()[:1]
    cut = render(planes, None, Look(0.09, 2.5, 0.001)).pixels
    rolled = render(planes, None, Look(0.09, 2.5, 0.001, shoulder=0.8)).pixels
    assert 0 < (rolled == 65535).all(axis=2).sum() < (cut == 65535).all(axis=2).sum()
    below = cut < 0.8 * 65535
    np.testing.assert_array_equal(rolled[below], cut[below])
