import numpy as np
import pytest

from platelib.numerics.mask_bits import LIMITED, SHARP, SPIKE
from platelib.resampling.sharp_pixels import curvature_of_star, with_sharp

SHAPE = (90, 131)
SKY_NOISE = 10.0


def _marks(image, variance, fwhm=np.nan) -> np.ndarray:
    mask = np.zeros(image.shape, dtype=np.uint8)
    return with_sharp(image, variance, mask, curvature_of_star(fwhm))


@pytest.mark.parametrize(("fwhm", "share"), [(1.0, 1.0), (1.4, 0.95), (2.1, 0.0), (3.0, 0.0)])
def test_what_is_sharp(fwhm, share, gaussians):
    """Bright stars up to 1.4 pixels FWHM are marked, stars from 2.1 on and noise are not."""
    shape = (200, 231)
    x, y = np.meshgrid(np.arange(20.0, 211, 17), np.arange(20.0, 181, 17))
    rng = np.random.default_rng(7)
    x, y = (at.ravel() + rng.uniform(-0.5, 0.5, at.size) for at in (x, y))
    light = gaussians(x, y, fwhm, 1e5, shape)
    variance = (light + SKY_NOISE**2).astype(np.float32)
    image = light + rng.normal(0, 1, shape) * np.sqrt(variance)
    marks = _marks(image.astype(np.float32), variance)
    found = [marks[round(v), round(u)] & SHARP > 0 for u, v in zip(x, y, strict=True)]
    assert np.mean(found) >= share - 0.001
    assert np.mean(found) <= share + 0.05
    sky = light < 1e-3
    assert (marks[sky] > 0).mean() < 0.5 * share + 1e-3


def test_edges_and_hot_pixels_at_the_rim_are_sharp():
    """A burnt core's edge, a dark column's side and hot pixels in the corners are marked."""
    image = np.zeros(SHAPE, dtype=np.float32)
    image[30:40, 30:40] = 6e4
    image[0, 0] = image[-1, -1] = image[50, -1] = 5e3
    marks = _marks(image, np.full(SHAPE, SKY_NOISE**2, dtype=np.float32))
    for y, x in ((30, 35), (39, 35), (35, 30), (35, 39), (0, 0), (-1, -1), (50, -1)):
        assert marks[y, x] & SHARP
        assert marks[y, x] & LIMITED
    assert not marks[35, 70]


def test_nothing_sharp_costs_no_mask():
    """In pure noise no light is limited; the mask comes back as it is where nothing stands out."""
    image = np.random.default_rng(9).normal(100, 5, (300, 400)).astype(np.float32)
    mask, variance = np.zeros(image.shape, dtype=np.uint8), np.full_like(image, 25)
    curvature = curvature_of_star(2.5)
    assert not (with_sharp(image, variance, mask, curvature) & (LIMITED | SHARP)).any()
    smooth = np.clip(image, 85, 115)
    assert with_sharp(smooth, variance, mask, curvature) is mask


@pytest.mark.parametrize("fwhm", [1.2, 1.7, 2.5, 4.0, 6.0])
def test_stars_of_the_sub_are_no_spikes(fwhm, gaussians):
    """Neither a bright star nor a faint one is a spike, wherever it lies between pixels."""
    x, y = np.meshgrid(np.arange(12, 120, 17.1), np.arange(12, 80, 17.1))
    for flux in (2e3, 2e4, 1e6):
        light = gaussians(x.ravel(), y.ravel(), fwhm, flux)
        marks = _marks(light.astype(np.float32), (light + 100).astype(np.float32), fwhm)
        assert not (marks & SPIKE).any()


@pytest.mark.parametrize("fwhm", [np.nan, 1.7, 2.5, 4.0, 6.0])
def test_lone_pixels_are_spikes(fwhm, gaussians):
    """Lone pixels of 10 sigma are found, on stars of 30 sigma too where these are sampled well."""
    rng = np.random.default_rng(12)
    light = np.zeros(SHAPE)
    if fwhm >= 2.5:
        light = gaussians(np.arange(10, 125, 24), np.full(5, 44.0), fwhm, 40 * 30 * fwhm**2)
    variance = (light + SKY_NOISE**2).astype(np.float32)
    places = [(y, x) for y in (20, 44, 70) for x in range(10, 125, 24)]
    found = 0
    for _ in range(20):
        image = light + rng.normal(0, 1, SHAPE) * np.sqrt(variance)
        spread = variance.copy()
        for y, x in places:
            height = 10 * np.sqrt(variance[y, x])
            image[y, x] += height
            spread[y, x] += height
        marks = _marks(image.astype(np.float32), spread, fwhm)
        found += sum((marks[y - 1 : y + 1, x - 1 : x + 1] & SPIKE).all() for y, x in places)
        assert (marks & SPIKE > 0).sum() <= 4 * len(places) + 8
    assert found >= 0.97 * 20 * len(places)


def test_curvature_of_star_is_that_of_a_drawn_one(gaussians):
    """It is the second difference over the fall of a Gaussian that is a tenth narrower."""
    for fwhm in (1.5, 2.4, 5.0):
        star = gaussians([60], [40], 0.9 * fwhm, 1.0)
        fall = star[40, 60] - star[40, 58]
        drawn = (2 * star[40, 60] - star[40, 59] - star[40, 61]) / fall
        assert curvature_of_star(fwhm) == pytest.approx(drawn, rel=0.01)
    assert curvature_of_star(np.nan) == curvature_of_star(1.8)
