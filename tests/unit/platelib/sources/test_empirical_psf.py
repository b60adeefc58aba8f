"""Which stars are copied: bright single ones below saturation."""

import numpy as np
import pytest

from platelib.simulate.psf import add_stars, moffat_image
from platelib.sources.background_subtracted import field_sky
from platelib.sources.empirical_psf import copy_stars

SHAPE = (600, 760)


def field_of(x, y, flux, seed=1, full=np.inf):
    """Draw stars with noise of 1 a pixel, cut off at a level."""
    image = np.random.default_rng(seed).standard_normal(SHAPE).astype(np.float32)
    add_stars(image, np.array(x), np.array(y), np.array(flux), moffat_image(3.0, 3.0, radius_px=40))
    image = np.minimum(image, np.float32(full)) + np.float32(30)
    return field_sky(image, np.ones(SHAPE, dtype=np.float32))


def lattice(rng):
    """Places far from each other."""
    y, x = (v.ravel() for v in np.mgrid[50:560:70, 50:720:70])
    return x + rng.uniform(-3, 3, x.size), y + rng.uniform(-3, 3, x.size)


def test_stars_with_neighbours_are_not_copied():
    """Of stars alike, those with a companion are left out, be it blended or beside them."""
    x, y = lattice(np.random.default_rng(1))
    flux = np.full(x.size, 4000.0)
    flux[3::4] *= 1.5  # the brightest tell how high peaks may be
    paired = np.arange(x.size) % 4 == 1
    close = paired & (np.arange(x.size) % 8 == 1)
    far = paired & ~close
    places = (
        np.concatenate([x, x[close] + 3.5, x[far] + 9.0]),
        np.concatenate([y, y[close] + 1.0, y[far] - 4.0]),
        np.concatenate([flux, 0.4 * flux[close], 0.4 * flux[far]]),
    )
    stars = copy_stars(field_of(*places))
    nearest = np.argmin(np.hypot(stars.x[:, None] - x, stars.y[:, None] - y), axis=1)
    assert len(stars.x) == 24
    assert not paired[nearest].any()


def test_saturated_stars_are_not_copied():
    """No copy has a peak near the level at which peaks are cut off."""
    rng = np.random.default_rng(2)
    x, y = lattice(rng)
    flux = 10 ** rng.uniform(2.8, 4.6, x.size)
    field = field_of(x, y, flux, full=900.0)
    stars = copy_stars(field)
    peaks = field.image[np.rint(stars.y).astype(int), np.rint(stars.x).astype(int)]
    assert len(stars.x) >= 8
    assert peaks.max() < 0.7 * 900


def test_stars_that_run_together_stand_apart_at_a_higher_threshold():
    """On a nebula that is bright everywhere, groups of 5 sigma are no stars, those of 40 are."""
    rng = np.random.default_rng(5)
    x, y = lattice(rng)
    field = field_of(x, y, np.full(x.size, 9000.0))
    field.image[20:-20, 20:-20] += np.float32(9)
    stars = copy_stars(field)
    assert len(stars.x) == 24


def test_a_field_of_pairs_is_refused():
    """Where each star has a companion, there is none to copy, and the reason is told."""
    x, y = lattice(np.random.default_rng(3))
    both = np.concatenate([x, x + 4.0]), np.concatenate([y, y + 1.0])
    with pytest.raises(ValueError, match="by itself|by themselves"):
        copy_stars(field_of(*both, np.full(2 * x.size, 4000.0)))
