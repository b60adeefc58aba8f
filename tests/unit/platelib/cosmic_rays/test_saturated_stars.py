import numpy as np
import pytest

from platefiles.raw_frames.raw_frame import open_raw
from platelib.cosmic_rays.exclusion_mask import shielded
from platelib.cosmic_rays.saturated_stars import saturated_star_images
from platelib.cosmic_rays.single_frame import RayRule, contrast_for, cosmic_ray_mask
from platelib.detection.star_table import STAR
from platelib.numerics.mask_bits import BAD, SATURATED

SHAPE = (300, 380)
FULL = 60_000.0
STARS = ((2e6, 110.3, 120.8), (4e5, 220.6, 250.1), (9e4, 70.2, 300.4))
SKY = 400.0
NO_STARS = np.zeros(0, dtype=STAR)


def light_of(fwhm, spikes=True):
    """Draw stars of 33, 7 and 1.5 times the full well, with spikes 1 % as bright, electrons."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    light = np.full(SHAPE, SKY)
    for peak, cy, cx in STARS:
        squared = (y - cy) ** 2 + (x - cx) ** 2
        light += peak * (1 + squared * (2 ** (1 / 3) - 1) * 4 / fwhm**2) ** -3
        for angle in (0.4, 0.4 + np.pi / 2) if spikes else ():
            along = (x - cx) * np.cos(angle) + (y - cy) * np.sin(angle)
            across = (y - cy) * np.cos(angle) - (x - cx) * np.sin(angle)
            width = fwhm / 2.355 * 0.7
            spike = np.exp(-0.5 * (across / width) ** 2) / (1 + (along / (1.5 * fwhm)) ** 2)
            light += 0.01 * peak * spike
    return light


def exposed(light, seed, trails=True, rays=30):
    """Return a frame, its variance, its mask and the pixels that particles hit."""
    rng = np.random.default_rng(seed)
    image = rng.poisson(light) + rng.normal(0, 8, SHAPE)
    for number, (_, cy, cx) in enumerate(STARS[:2] if trails else ()):
        reach, width = ((60, 2), (20, 1))[number]
        rows = slice(int(cy) - reach, int(cy) + reach)
        image[rows, round(cx) : round(cx) + width] = FULL
    hits = np.zeros(SHAPE, dtype=bool)
    for number in range(rays):
        row, column = rng.integers(12, SHAPE[0] - 12), rng.integers(12, SHAPE[1] - 24)
        steps = np.arange(rng.integers(1, 10))
        charge = 90_000 if number % 5 == 0 else rng.uniform(600, 5000)
        image[row + steps // 2, column + steps] += charge
        hits[row + steps // 2, column + steps] = True
    image = np.minimum(image, FULL).astype(np.float32)
    mask = np.where(image >= 0.98 * FULL, SATURATED, 0).astype(np.uint8)
    variance = (np.maximum(image, 1) + 64).astype(np.float32)
    return image, variance, shielded(mask, NO_STARS), hits


def found_rays(image, variance, mask, fwhm):
    """Search a copy of a frame."""
    rule = RayRule(contrast=contrast_for(fwhm + 0.4))
    return cosmic_ray_mask(image.copy(), variance.copy(), mask, FULL, rule)


def spared(image, variance, mask):
    """Return a mask in which images of saturated stars are bad."""
    stars = saturated_star_images(image, variance, mask)
    return mask | (stars * np.uint8(BAD)), stars


@pytest.mark.parametrize("fwhm", [2.2, 3.5, 6.0])
def test_spikes_and_trails_are_no_rays(fwhm):
    """Nothing is flagged where there is starlight and no particle; without this, much of it was."""
    light = light_of(fwhm)
    image, variance, mask, _ = exposed(light, 1, rays=0)
    # 1.5 sigma of the sky; elsewhere the rule meets nothing but noise.
    starlight = light > SKY + 30
    before = found_rays(image, variance, mask, fwhm)
    assert before[starlight].sum() > 50
    mask, _ = spared(image, variance, mask)
    after = found_rays(image, variance, mask, fwhm)
    assert not after[starlight].any()
    assert (before[~starlight] >= after[~starlight]).all()


@pytest.mark.parametrize("fwhm", [2.2, 3.5, 6.0])
def test_rays_elsewhere_are_found_as_before(fwhm):
    """Outside the images of saturated stars, a few per cent of the frame, the mask is the same."""
    for seed in range(2):
        image, variance, mask, hits = exposed(light_of(fwhm), seed)
        before = found_rays(image, variance, mask, fwhm)
        changed, stars = spared(image, variance, mask)
        after = found_rays(image, variance, changed, fwhm)
        # The Laplacian and the replacement of what was found look two pixels around.
        away = ~np.asarray(stars)
        away[2:-2, 2:-2] &= ~np.max(
            [stars[2 + dy : SHAPE[0] - 2 + dy, 2 + dx : SHAPE[1] - 2 + dx]
             for dy in range(-2, 3) for dx in range(-2, 3)], axis=0
        )  # fmt: skip
        np.testing.assert_array_equal(before[away], after[away])
        assert stars.mean() < 0.12
        assert after[hits & away].mean() > 0.85


def test_saturated_particles_are_no_stars():
    """Tracks that saturate pixels, thick ones too, on the sky or on a nebula, are searched."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    nebula = 4000 * np.exp(-((y - 150) ** 2 + (x - 190) ** 2) / (2 * 60**2))
    image = (SKY + nebula + rng.normal(0, 25, SHAPE)).astype(np.float32)
    for row, column in ((40, 50), (150, 190), (200, 100)):
        steps = np.arange(12)
        image[row + steps // 3, column + steps] = FULL
        image[row + steps // 3 + 1, column + steps] = FULL
    mask = np.where(image >= 0.98 * FULL, SATURATED, 0).astype(np.uint8)
    variance = (np.maximum(image, 1) + 64).astype(np.float32)
    assert not saturated_star_images(image, variance, mask).any()


@pytest.mark.parametrize("fwhm", [1.4, 2.0, 4.0, 9.0])
def test_cores_are_found_whatever_their_width(fwhm):
    """Every star that saturates a pixel or more is found, undersampled ones too."""
    light = light_of(fwhm, spikes=False)
    image, variance, mask, _ = exposed(light, 2, trails=False, rays=0)
    stars = saturated_star_images(image, variance, mask)
    for peak, cy, cx in STARS:
        if (mask[round(cy) - 2 : round(cy) + 3, round(cx) - 2 : round(cx) + 3] & SATURATED).any():
            assert stars[round(cy), round(cx)], peak


def test_a_frame_without_saturated_pixels_has_none():
    """Where the mask has no saturated pixel nothing is excluded."""
    image = np.full(SHAPE, SKY, dtype=np.float32)
    mask = np.full(SHAPE, BAD, dtype=np.uint8)
    assert not saturated_star_images(image, image, mask).any()


def test_a_saturated_frame_is_all_excluded():
    """Where all is saturated there is nothing to search."""
    image = np.full(SHAPE, FULL, dtype=np.float32)
    mask = np.full(SHAPE, SATURATED, dtype=np.uint8)
    assert saturated_star_images(image, image, mask).all()


def test_saturated_stars_of_a_ccd_are_spared(raw_series):
    """On a light of a CCD the flagged pixels beside full wells become fewer, and no others."""
    path = min(raw_series("changing-seeing").folder.glob("a-240s.Light*"))
    with open_raw(path) as frame:
        image = frame.data() - np.float32(1010)
    mask = np.where(image >= 60_300, SATURATED, 0).astype(np.uint8)
    variance = (np.maximum(image, 1) / 1.5 + 50).astype(np.float32)
    stars = saturated_star_images(image, variance, mask)
    assert 0 < stars.mean() < 0.04
    assert stars[mask > 0].mean() > 0.9
