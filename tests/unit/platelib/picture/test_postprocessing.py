import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from platelib.colour.grey_sky import measure_sky
from platelib.colour.srgb import decode, to_oklab
from platelib.picture.postprocessing import Finish, denoise_colour, enhance_local_contrast, sharpen
from platelib.picture.render import mean_plane, render
from platelib.picture.stretch import Look

LOOK = Look(sky_level=0.09, black_sigma=2.5, white_clip_fraction=0.0005)


def _sharp(shape=(220, 300), count=40):
    """Draw stars as single pixels, and two lines close together."""
    rng = np.random.default_rng(5)
    light = np.zeros(shape)
    for index in range(count):
        row, column = 20 + 25 * (index // 10), 20 + 27 * (index % 10)
        light[row + rng.integers(-3, 4), column + rng.integers(-3, 4)] = rng.uniform(1e3, 1e4)
    light[150:200, 100] = light[150:200, 104] = 300
    return light


def _blurred(light, sigma=1.6, noise=1.0):
    rng = np.random.default_rng(6)
    image = gaussian_filter(light, sigma) + rng.normal(0, noise, light.shape)
    return image.astype(np.float32)


@pytest.fixture(scope="module")
def image():
    """Draw the scene as a telescope shows it."""
    return _blurred(_sharp())


def _sharpened(image, strength=1.0):
    (sky,), _ = measure_sky(image[None])
    return sharpen(image, sky, strength)


def test_deconvolution_parts_what_the_air_has_run_together(image):
    """Two lines four pixels apart show a deeper gap; a tenth of their light moves in at most."""
    sharp, said = _sharpened(image)
    gap = [one[160:190, 102].mean() / one[160:190, 100].mean() for one in (image, sharp)]
    assert gap[1] < 0.75 * gap[0]
    box = np.s_[155:195, 88:117]
    assert sharp[box].sum() == pytest.approx(image[box].sum(), rel=0.1)
    assert "20 rounds of Richardson-Lucy" in said
    width = float(said.split("FWHM ")[1].split(" px")[0])
    assert width == pytest.approx(2.3548 * np.hypot(1.6, 0.29), rel=0.1)


def test_deconvolution_leaves_the_sky_alone(image):
    """Away from light no pixel changes by a hundredth of the noise."""
    sharp, _ = _sharpened(image)
    sky = gaussian_filter(_sharp(), 4) < 1e-3
    assert sky.sum() > 2000
    assert np.abs(sharp - image)[sky].max() < 0.01


def test_deconvolution_without_stars_says_so():
    """Where the image of a star cannot be measured nothing is done, and the reason is given."""
    noise = np.random.default_rng(1).normal(0, 1, (200, 200)).astype(np.float32)
    sharp, said = _sharpened(noise)
    assert sharp is noise
    assert said == "no deconvolution: only 0 stars show their shape and 5 are needed"


def test_deconvolution_keeps_colour(image):
    """The planes of a picture keep their ratios where they are sharpened."""
    planes = np.stack([1.5 * image, image, 0.5 * image])
    plain = render(planes, None, LOOK)
    sharp = render(planes, None, LOOK, Finish(deconvolution=0.5))
    assert len(sharp.steps) == 1
    assert np.abs(sharp.pixels.astype(int) - plain.pixels).max() > 2000
    bright = mean_plane(planes) > 100
    ratio = sharp.pixels[bright].astype(float)
    np.testing.assert_allclose(ratio[:, 1] / ratio[:, 0], 1 / 1.5, atol=0.03)


@pytest.fixture(scope="module")
def noisy():
    """Draw two colours side by side, of one lightness, with noise."""
    rng = np.random.default_rng(8)
    display = np.full((120, 160, 3), 0.4)
    display[:, :80] += [0.08, -0.03, 0.0]
    display[:, 80:] += [-0.06, 0.0, 0.08]
    display += rng.normal(0, 0.03, display.shape)
    return np.rint(np.clip(display, 0, 1) * 65535).astype(np.uint16)


def _lab(pixels):
    return to_oklab(decode(np.moveaxis(pixels / 65535, -1, 0)))


def test_colours_are_smoothed_between_edges(noisy):
    """Noise of colour falls to a third, the edge stays an edge, lightness stays as it is."""
    smooth, said = denoise_colour(noisy, 1.0)
    before, after = _lab(noisy), _lab(smooth)
    np.testing.assert_allclose(after[0], before[0], atol=2e-4)
    for part in (np.s_[:, :, 5:70], np.s_[:, :, 90:155]):
        assert (after[part][1:].std(axis=(1, 2)) < before[part][1:].std(axis=(1, 2)) / 3).all()
    step = [lab[2, :, 74:79].mean() - lab[2, :, 81:86].mean() for lab in (before, after)]
    assert step[1] == pytest.approx(step[0], rel=0.12)
    assert "total-variation" in said


def test_local_contrast_spares_the_sky_and_hue():
    """Lightness above the sky is spread, the sky keeps each value, and hue stays to a degree."""
    y, x = np.indices((200, 260))
    display = np.full((200, 260, 3), 0.09)
    patch = (x > 100) & (y > 60)
    wave = 0.35 + 0.03 * np.sin(x / 6.0) * np.sin(y / 6.0)
    display[patch] = (wave[..., None] * np.array([1.1, 1.0, 0.8]))[patch]
    pixels = np.rint(display * 65535).astype(np.uint16)
    changed, said = enhance_local_contrast(pixels, 0.6, 0.09, 2.0)
    # The way through Oklab and back costs less than three parts in ten thousand.
    assert np.abs(changed[:50, :90].astype(int) - pixels[:50, :90]).max() < 20
    before, after = (_lab(one)[:, 80:190, 120:250] for one in (pixels, changed))
    assert after[0].std() > 1.3 * before[0].std()
    hue = [np.degrees(np.arctan2(lab[2], lab[1])) for lab in (before, after)]
    assert np.abs(hue[1] - hue[0]).max() < 1
    assert "share 0.6" in said


def test_steps_twice_give_the_same_bits(image):
    """All steps together, done twice, agree to the last bit and say what they did."""
    planes = np.stack([1.2 * image, image, 0.7 * image])
    finish = Finish(0.4, 0.5, 0.4)
    first, second = render(planes, image, LOOK, finish), render(planes, image, LOOK, finish)
    np.testing.assert_array_equal(first.pixels, second.pixels)
    assert len(first.steps) == 3
    assert first.steps == second.steps


def test_nothing_is_done_unless_asked_for(image):
    """A finish of zeros is no finish."""
    planes = np.stack([1.2 * image, image, 0.7 * image])
    assert render(planes, None, LOOK, Finish()).steps == ()
