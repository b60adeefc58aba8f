"""A field where the light of stars covers most pixels, as toward the Milky Way at short focus."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from platelib.depth.limiting_magnitude import SNR, limit_of
from platelib.simulate.psf import add_stars, moffat_image
from platelib.sources.background_subtracted import field_sky
from platelib.sources.extract import find_sources

NY, NX, SKY, NOISE = 360, 520, 40.0, 1.0


@pytest.fixture(scope="module")
def crowd():
    """Stars, the image with its sky taken off, and the sources in it."""
    rng = np.random.default_rng(8)
    count = 2600
    stars = {"x": rng.uniform(0, NX - 1, count), "y": rng.uniform(0, NY - 1, count)}
    stars["flux"] = np.minimum(25 * rng.uniform(size=count) ** -1.1, 8e4)
    image = (SKY + NOISE * rng.standard_normal((NY, NX))).astype(np.float32)
    add_stars(image, *stars.values(), moffat_image(2.4, 2.5, radius_px=60))
    field = field_sky(image.copy(), np.full_like(image, NOISE**2), cell_px=64)
    return stars, image, field, find_sources(field)


def test_the_sky_is_not_taken_for_nothing(crowd):
    """Where light covers most pixels, the sky comes out between the stars, not as 0."""
    _, image, field, _ = crowd
    assert field.light.mean() > 0.6
    sky = image - field.image
    assert sky.min() > SKY - NOISE
    assert np.median(sky) < SKY + 5 * NOISE  # wings of all stars together


def test_bright_stars_are_found(crowd):
    """Of stars above 100 sigma by themselves, 95 % are in the list, most of them as stars."""
    stars, _, _, found = crowd
    table = found.table
    places = np.stack([stars["x"], stars["y"]], axis=1)
    apart = cKDTree(places).query(places, k=2)[0][:, 1] > 4
    bright = places[(stars["flux"] > 500) & apart]
    distance, number = cKDTree(np.stack([table["x"], table["y"]], axis=1)).query(bright)
    assert len(bright) > 60
    assert (distance < 1).mean() > 0.95
    assert table["extended"][number].mean() < 0.15


def test_wings_of_stars_are_no_galaxies(crowd):
    """Of a thousand sources in a crowd, at most three are told as wider than stars' wings."""
    table = crowd[-1].table
    assert (table["major_px"] > 20).sum() <= 0.003 * table["x"].size


def test_a_crowd_has_a_depth(crowd):
    """The rims of light count as sky where there is little else, and the limit is told.

    It is no deeper than the noise of a pixel allows, and shallower than thrice of that, for the
    light of faint stars is noise as well.
    """
    _, _, field, _ = crowd
    assert field.blank.mean() > 0.1
    limit = limit_of(field, 1)
    radius = limit.noise.radius_px
    alone = SNR * NOISE * np.sqrt(np.pi) * radius / limit.share
    assert 0.88 * alone < limit.flux < 3 * alone  # pixels at the rim count in part
    assert limit.noise.factor > 0.97
