"""Single-frame cosmic rays against Astro-SCRAPPY 1.3, whose masks are the measure."""

import astroscrappy
import numpy as np
import pytest

from platelib.background.measure_mesh import sky_mesh
from platelib.cosmic_rays.boxes import COLUMNS, ROWS
from platelib.cosmic_rays.exclusion_mask import shielded
from platelib.cosmic_rays.single_frame import RayRule, contrast_for, cosmic_ray_mask
from platelib.detection.star_finder import find_stars
from platelib.detection.star_table import STAR
from platelib.numerics.mask_bits import BAD, SATURATED
from platelib.simulate.psf import add_stars, moffat_image
from platelib.simulate.tracks import cosmic_rays

READ_NOISE = 5.0
FULL = 60000.0


def _frame(seed, shape=(260, 347), fwhm=2.6, sky=200.0, stars=60, tracks=80, brightest=6.0):
    """Image and variance of a star field with tracks, cut off at full scale, and the tracks."""
    rng = np.random.default_rng(seed)
    ny, nx = shape
    light = np.full(shape, sky, dtype=np.float32)
    x, y = rng.uniform(-3, nx + 3, stars), rng.uniform(-3, ny + 3, stars)
    add_stars(light, x, y, 10 ** rng.uniform(2.5, brightest, stars), moffat_image(fwhm, 3.3))
    image = rng.poisson(light) + rng.normal(0, READ_NOISE, shape)
    rays = cosmic_rays(tracks, nx, ny, rng)
    image[rays.y, rays.x] += rays.electrons
    image = np.minimum(image, FULL).astype(np.float32)
    return image, np.maximum(image, 0) + np.float32(READ_NOISE**2), rays


def _compare(image, variance, bad=None, saturation=FULL, rule=RayRule()):  # noqa: B008 - frozen
    """Find rays in two ways, compare masks and replaced images, and return the mask."""
    bad = np.zeros(image.shape, dtype=bool) if bad is None else bad
    wanted, clean = astroscrappy.detect_cosmics(
        image,
        inmask=bad,
        invar=variance,
        satlevel=saturation,
        sigclip=rule.sigma,
        sigfrac=rule.neighbour_share,
        objlim=rule.contrast,
        niter=rule.rounds,
    )
    mask = np.where(bad, BAD, 0) | np.where(image >= np.float32(saturation), SATURATED, 0)
    image, variance = image.copy(), variance.copy()
    found = cosmic_ray_mask(image, variance, mask.astype(np.uint8), saturation, rule)
    assert found.dtype == bool
    np.testing.assert_array_equal(found, wanted)
    np.testing.assert_array_equal(image, clean)
    return found


@pytest.mark.parametrize("sky", [3.0, 60.0, 2500.0])
@pytest.mark.parametrize("fwhm", [1.6, 2.0, 2.6, 4.0])
def test_masks_equal_those_of_the_library(fwhm, sky):
    """Star fields with saturated stars, tracks and bad pixels: masks and cleaned images agree."""
    image, variance, _ = _frame(int(10 * fwhm + sky), fwhm=fwhm, sky=sky)
    rng = np.random.default_rng(7)
    bad = rng.random(image.shape) < 2e-3
    bad[:, 200] = True
    variance[bad] = 0
    image[100:104, 100:103] = FULL
    assert _compare(image, variance, bad).sum() > 150


@pytest.mark.parametrize("rounds", [1, 2, 3, 6])
def test_masks_are_equal_after_every_round(rounds):
    """After each round, and after more than it takes, the masks agree; rounds find more."""
    image, variance, _ = _frame(21, tracks=200)
    found = _compare(image, variance, rule=RayRule(rounds=rounds))
    once = _compare(image, variance, rule=RayRule(rounds=1))
    assert (found & once == once).all()
    assert (found.sum() > once.sum()) == (rounds > 1)


@pytest.mark.parametrize(
    "rule", [RayRule(sigma=3.0), RayRule(contrast=1.5), RayRule(neighbour_share=0.9, sigma=7.0)]
)
def test_masks_are_equal_for_other_limits(rule):
    """Lower and higher limits, under which noise and stars are flagged too, give equal masks."""
    image, variance, _ = _frame(22)
    _compare(image, variance, saturation=np.inf, rule=rule)


@pytest.mark.parametrize("shape", [(7, 9), (12, 40), (38, 54), (ROWS + 6, COLUMNS + 6), (71, 103)])
def test_masks_are_equal_on_small_frames(shape):
    """Frames of less than a box, of just one, and of some boxes and a rest give equal masks."""
    for seed in range(5):
        image, variance, _ = _frame(seed, shape, stars=3, tracks=6, brightest=4.0)
        _compare(image, variance)


def test_frame_too_small_for_the_medians_has_no_rays():
    """Within three pixels of the edge nothing is judged."""
    image = np.full((6, 30), 100, dtype=np.float32)
    image[3, 10] = 9000
    assert not cosmic_ray_mask(image, image.copy(), np.zeros(image.shape, dtype=np.uint8)).any()


def test_pixels_without_a_good_neighbour_get_the_median_of_the_frame():
    """A track between two bad columns is replaced as by the library, in later rounds too."""
    image, variance, _ = _frame(23, tracks=20)
    bad = np.zeros(image.shape, dtype=bool)
    bad[:, [118, 122]] = True
    image[60:75, 120] += 4000
    found = _compare(image, variance, bad)
    assert found[62:73, 120].all()
    image[60:75, 120] -= 4000
    image[60, 120] += 40000
    image[61:75, 120] += 250
    _compare(image, variance, bad)


def _lost(fwhm, sky, apart=None):
    """Share of its light that each star loses, all single, or with a companion so many FWHM off."""
    rng, shape, psf = np.random.default_rng(1), (480, 641), moffat_image(fwhm, 3.3)
    x, y = (part.ravel() for part in np.meshgrid(np.arange(30, 611, 40), np.arange(30, 451, 40)))
    x, y = x + rng.uniform(-2, 2, x.size), y + rng.uniform(-2, 2, y.size)
    flux = 10 ** rng.uniform(3.5, 5.2, x.size)
    if apart is not None:
        distance, angle = rng.uniform(*apart, x.size) * fwhm, rng.uniform(0, 2 * np.pi, x.size)
        x = np.append(x, x + distance * np.cos(angle))
        y = np.append(y, y + distance * np.sin(angle))
        flux = np.append(flux, flux * rng.uniform(0.3, 1.0, flux.size))
    light = np.zeros(shape, dtype=np.float32)
    add_stars(light, x, y, flux, psf)
    image = (rng.poisson(light + sky) + rng.normal(0, READ_NOISE, shape)).astype(np.float32)
    variance = np.maximum(image, 0) + np.float32(READ_NOISE**2)
    mask = np.zeros(shape, dtype=np.uint8)
    stars = find_stars(image, mask, sky_mesh(image, 64), 6.0, 2.5, 2000)
    rule = RayRule(contrast=contrast_for(np.median(stars["fwhm"][stars["flags"] == 0])))
    found = cosmic_ray_mask(image, variance, shielded(mask, stars), np.inf, rule)
    lost = np.zeros(x.size)
    for k in range(x.size):
        one = np.zeros(shape, dtype=np.float32)
        add_stars(one, x[k : k + 1], y[k : k + 1], flux[k : k + 1], psf)
        lost[k] = one[found].sum()
    return lost / flux


@pytest.mark.parametrize("sky", [20.0, 500.0])
@pytest.mark.parametrize("fwhm", [1.4, 1.8, 2.2, 3.0, 4.0])
def test_single_stars_keep_their_light(fwhm, sky):
    """No single star loses 0.2 % of its light, even if the pixels hardly resolve it."""
    assert _lost(fwhm, sky).max() < 0.002


@pytest.mark.parametrize("sky", [20.0, 500.0])
@pytest.mark.parametrize("fwhm", [2.2, 3.0, 4.0])
def test_double_stars_keep_their_light(fwhm, sky):
    """Of double stars 2 to 4 FWHM apart, 95 in 100 lose under 0.5 %, and the mean as well."""
    lost = _lost(fwhm, sky, (2, 4))
    assert np.quantile(lost, 0.95) < 0.005
    assert lost.mean() < 0.005


def test_tracks_are_found():
    """Of pixels that tracks lift 8 sigma above the sky, 99 % are flagged."""
    hits = found = 0
    for seed in range(4):
        image, variance, rays = _frame(30 + seed, stars=0, tracks=150, sky=200.0)
        mask = shielded(np.zeros(image.shape, dtype=np.uint8), np.zeros(0, dtype=STAR))
        flagged = cosmic_ray_mask(image, variance, mask, FULL)
        strong = rays.electrons > 8 * np.sqrt(200 + READ_NOISE**2)
        strong &= (np.minimum(rays.x, 346 - rays.x) > 5) & (np.minimum(rays.y, 259 - rays.y) > 5)
        hits += np.count_nonzero(strong)
        found += np.count_nonzero(flagged[rays.y, rays.x] & strong)
    assert hits > 1000
    assert found > 0.99 * hits


def test_noise_has_no_rays():
    """Clean sky gives fewer than one flagged pixel in 20,000."""
    image, variance, _ = _frame(40, (600, 801), stars=0, tracks=0)
    found = cosmic_ray_mask(image, variance, np.zeros(image.shape, dtype=np.uint8))
    assert np.count_nonzero(found) < image.size / 20000


@pytest.mark.parametrize(
    ("fwhm", "contrast"), [(2.3, 5.0), (6.0, 5.0), (np.nan, 5.0), (1.15, 80.0)]
)
def test_contrast_rises_for_stars_that_are_hardly_resolved(fwhm, contrast):
    """The contrast is 5 from 2.3 px on, or if the width is unknown, and higher below."""
    assert contrast_for(fwhm) == pytest.approx(contrast)


def test_planes_that_do_not_fit_are_refused():
    """Planes of other shapes or of double precision are refused by name."""
    image, mask = np.zeros((20, 30), dtype=np.float32), np.zeros((20, 30), dtype=np.uint8)
    with pytest.raises(ValueError, match=r"image is \(20, 30\), its variance \(19, 30\)"):
        cosmic_ray_mask(image, image[1:], mask)
    with pytest.raises(ValueError, match="must be float32, not float32 and float64"):
        cosmic_ray_mask(image, image.astype(float), mask)
