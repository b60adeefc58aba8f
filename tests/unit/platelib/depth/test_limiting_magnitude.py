"""Limits of images that are drawn here, with stars of a known profile in known noise."""

import math

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt, gaussian_filter

from platelib.depth.limiting_magnitude import SNR, limit_of, magnitude
from platelib.numerics.medians import mad_sigma
from platelib.simulate.psf import add_stars, moffat_image
from platelib.sources.aperture_noise import aperture_noise, blank_places, circle_sums
from platelib.sources.background_subtracted import field_sky, likeness
from platelib.sources.empirical_psf import copy_stars
from platelib.sources.sep_extraction import extracted

SHAPE = (520, 700)
FWHM, BETA = 2.9, 3.0


def star_field(seed=1, smoothing=0.0, stars=220):
    """Draw stars on a sky of noise 1 a pixel, whose neighbours may be made alike."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(SHAPE)
    if smoothing:
        noise = gaussian_filter(noise, smoothing)
        noise /= noise.std()
    image = (noise + 50.0).astype(np.float32)
    x, y = rng.uniform(0, SHAPE[1], stars), rng.uniform(0, SHAPE[0], stars)
    profile = moffat_image(FWHM, BETA, radius_px=24)
    add_stars(image, x, y, 10 ** rng.uniform(1.0, 4.2, stars), profile)
    return image, np.ones(SHAPE, dtype=np.float32)


def circle_noise(radius):
    """Noise of a sum of pixels of noise 1, those at the edge weighted by their area inside."""
    fine = (np.arange(41 * 20) + 0.5) / 20 - 20.5
    inside = np.hypot(fine, fine[:, None]) <= radius
    return math.sqrt((inside.reshape(41, 20, 41, 20).mean(axis=(1, 3)) ** 2).sum())


@pytest.fixture(scope="module")
def plain():
    """A field whose pixels know nothing of each other."""
    return field_sky(*star_field())


def test_sky_is_taken_off(plain):
    """The sky that is left is 0 within a twentieth of its noise, and most of it is blank."""
    assert abs(np.median(plain.image[plain.blank])) < 0.05
    assert 0.6 < plain.blank.mean() < 0.98


def test_light_is_all_that_stands_out(plain):
    """Light is the pixels within 3.5 px of a source, however sources are parted."""
    noise = plain.noise * likeness(plain.image, plain.noise, plain.missing)
    segments = extracted(plain.image, noise, plain.missing, 3.5, 4, with_segments=True).segments
    near = distance_transform_edt(segments == 0) <= 3.5
    # The sky that was taken off last is that beside this light.
    assert (near != plain.light).mean() < 1e-3


def test_source_of_most_of_an_image_is_found():
    """A source larger than the memory that a search begins with is one source."""
    shape = (1000, 1200)
    image = np.random.default_rng(5).standard_normal(shape).astype(np.float32)
    image[50:-50, 50:-50] += 40
    ones, nothing = np.ones(shape, dtype=np.float32), np.zeros(shape, dtype=bool)
    extraction = extracted(image, ones, nothing, 8.0, 5, with_segments=True)
    found, segments = extraction.found, extraction.segments
    assert len(found) == 1
    assert (segments[52:-52, 52:-52] == 1).all()


def test_circles_of_independent_pixels_scatter_as_they_should(plain):
    """The noise of a sum of n independent pixels is sqrt(n) times that of one, within 5 %."""
    for radius in (2.0, 4.0):
        noise = aperture_noise(plain, radius, seed=1)
        assert noise.factor == pytest.approx(1, abs=0.05)
        assert noise.sigma == pytest.approx(circle_noise(radius), rel=0.05)


@pytest.mark.parametrize("radius", [1.37, 2.5, 6.1])
def test_sums_are_those_of_exact_circles(plain, radius):
    """The noise is that of sums of `sep`, whose circles are cut exactly at their edge."""
    noise = aperture_noise(plain, radius, seed=3)
    x, y = blank_places(plain, radius, seed=3)
    total, alone = circle_sums(plain, x, y, radius)
    assert x.size == noise.count
    assert noise.factor == pytest.approx(mad_sigma(total / alone), rel=2e-3)
    assert noise.sigma == pytest.approx(noise.factor * np.median(alone), rel=2e-3)


def test_many_places_are_spread_over_the_image(plain):
    """Of more places than are wanted, some more than these are taken, from all of the image."""
    every, _ = blank_places(plain, 1.5, seed=4, most=10**6)
    x, y = blank_places(plain, 1.5, seed=4, most=2000)
    assert every.size > 6000
    assert 2000 <= x.size < 3000
    quarters = np.histogram2d(x, y, (2, 2), ((0, SHAPE[1]), (0, SHAPE[0])))[0]
    assert quarters.min() > 0.2 * x.size


def test_correlated_noise_is_measured():
    """Where pixels are alike, large circles scatter more than pixels say, as integrals tell."""
    smoothing, radius = 1.0, 4.0
    field = field_sky(*star_field(smoothing=smoothing))
    # Fourier: a large circle sees the noise before smoothing, whose pixels are 2 sqrt(pi) sigma
    # as noisy; a circle of 4 px is not quite large, so the exact number is drawn here.
    rng = np.random.default_rng(2)
    drawn = gaussian_filter(rng.standard_normal((3000, 41, 41)), (0, smoothing, smoothing))
    drawn /= drawn[:, 12:-12, 12:-12].std()
    y, x = np.mgrid[-20:21, -20:21]
    inside = np.hypot(x, y) <= radius
    expected = drawn[:, inside].sum(axis=1).std() / math.sqrt(inside.sum())
    noise = aperture_noise(field, radius, seed=1)
    assert expected > 2
    assert noise.factor == pytest.approx(expected, rel=0.07)


def test_circles_are_apart_and_on_blank_sky(plain):
    """No two circles share a pixel and none holds light; the same seed gives the same ones."""
    x, y = blank_places(plain, 5.0, seed=4)
    again = blank_places(plain, 5.0, seed=4)
    np.testing.assert_array_equal((x, y), again)
    for k in range(0, x.size, 7):
        others = np.hypot(x - x[k], y - y[k])
        assert np.sort(others)[1] >= 10
        py, px = np.mgrid[int(y[k]) - 5 : int(y[k]) + 6, int(x[k]) - 5 : int(x[k]) + 6]
        circle = np.hypot(px - x[k], py - y[k]) <= 5
        assert plain.blank[py[circle], px[circle]].all()


@pytest.mark.parametrize("radius", [1.37, 4.0, 9.5])
def test_circles_are_all_that_have_room(plain, radius):
    """Each place of the lattice farther than a pixel from light and edge is there, and no other."""
    room = distance_transform_edt(np.pad(plain.blank, 1))[1:-1, 1:-1]
    x, y = (v.astype(int) for v in blank_places(plain, radius, seed=4, most=10**6))
    step = math.ceil(2 * radius + 1)
    lattice = np.zeros(SHAPE, dtype=bool)
    lattice[y.min() % step :: step, x.min() % step :: step] = True
    expected = np.nonzero(lattice & (room > radius + 1))
    assert x.size > 100
    np.testing.assert_array_equal((y, x), expected)


def test_copies_hold_the_light_of_a_star(plain):
    """Half of a copy's light lies where the Moffat profile has it; copies have unit light."""
    stars = copy_stars(plain)
    # Moffat (1969): the share inside r is 1 - (1 + (r / a)^2)^(1 - beta), here of what a circle
    # of 2.5 FWHM holds.
    width = FWHM / (2 * math.sqrt(2 ** (1 / BETA) - 1))
    share = [1 - (1 + (r / width) ** 2) ** (1 - BETA) for r in (2.0, stars.radius_px)]
    assert stars.share(2.0) == pytest.approx(share[0] / share[1], abs=0.03)
    assert stars.share(stars.radius_px) == pytest.approx(1, abs=0.01)
    assert len(stars.stamps) >= 8


@pytest.mark.parametrize("smoothing", [0.0, 0.6])
def test_limit_agrees_with_injected_stars(smoothing):
    """Half of the injected stars are found within 0.1 mag of the limit from noise and profile."""
    limit = limit_of(field_sky(*star_field(seed=8, smoothing=smoothing)), seed=5)
    assert limit.check is not None
    assert abs(limit.check.half_mag) < 0.1
    assert limit.check.error_mag < 0.05
    share = limit.check.found / limit.check.injected
    assert share[0] > 0.95
    assert share[-1] < 0.1


def test_limit_is_that_of_the_profile(plain):
    """In plain noise the limit is 5 sigma of the best circle, computed from the profile alone."""
    width = FWHM / (2 * math.sqrt(2 ** (1 / BETA) - 1))
    limit = limit_of(plain, seed=5)
    total = 1 - (1 + (limit.stars.radius_px / width) ** 2) ** (1 - BETA)
    radii = np.arange(1, 5, 0.05)
    noise = np.array([circle_noise(radius) for radius in radii])
    share = (1 - (1 + (radii / width) ** 2) ** (1 - BETA)) / total
    best = (SNR * noise / share).min()
    assert -2.5 * math.log10(limit.flux / best) == pytest.approx(0, abs=0.06)


def test_field_without_stars_is_refused():
    """Noise alone has no star to copy, and the reason is told."""
    with pytest.raises(ValueError, match="star"):
        limit_of(field_sky(*star_field(stars=0)), seed=1)


def test_magnitudes():
    """A flux of 100 is 5 mag brighter than the zero point; no light has no magnitude."""
    assert magnitude(100.0, 25.0) == pytest.approx(20.0)
    assert magnitude(100.0, None) == pytest.approx(-5.0)
    assert math.isnan(magnitude(0.0, 25.0))
