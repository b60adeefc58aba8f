import numpy as np
import pytest

from platelib.background.block_average import BLOCK_PX, mean_blocks
from platelib.colour.star_cores import saturated_cores
from platelib.detection.channel_stars import channel_stars, variance_of_light, width_of
from platelib.detection.star_table import STAR
from platelib.simulate.psf import add_stars, moffat_image

SHAPE = (300, 400)


def _channel(seed=1):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(15, SHAPE[1] - 15, 40), rng.uniform(15, SHAPE[0] - 15, 40)
    flux = 10 ** rng.uniform(1.5, 3, 40)
    flux[0] = 20_000
    light = np.zeros(SHAPE, dtype=np.float32)
    add_stars(light, x, y, flux, moffat_image(3.2, 40.0))
    variance = (0.2 + 0.01 * light).astype(np.float32)
    image = 5 + light + np.sqrt(variance) * rng.standard_normal(SHAPE).astype(np.float32)
    return image.astype(np.float32), variance, np.stack([x, y, flux])


def test_stars_have_their_places_widths_and_flags():
    """Stars are found where they are; the saturated one is flagged and does not tell the width."""
    image, _, truth = _channel()
    image = np.minimum(image, 800)
    cores = saturated_cores(image, 800.0)
    stars = channel_stars(image, cores, 0.01, 6.0, 2.5, 500)
    found = {
        int(np.argmin(np.hypot(truth[0] - star["x"], truth[1] - star["y"]))): star for star in stars
    }
    assert set(np.flatnonzero(truth[2] > 80)) <= set(found)
    assert found[0]["flags"] & 1
    near = [k for k in found if truth[2][k] > 200 and found[k]["flags"] == 0]
    misses = [np.hypot(truth[0][k] - found[k]["x"], truth[1][k] - found[k]["y"]) for k in near]
    assert len(near) > 8
    assert np.median(misses) < 0.05
    width = width_of(stars)
    assert width.stars == np.sum(stars["flags"] == 0)
    assert width.fwhm_px == pytest.approx(3.2, rel=0.08)
    assert 0 < width.error_px < 0.1
    assert width.ellipticity < 0.15


def test_a_star_without_its_core_is_found_and_flagged():
    """Pixels without data in the middle of a star are filled for the search."""
    image, _, truth = _channel()
    image[image > 400] = np.nan
    stars = channel_stars(image, np.zeros(SHAPE, dtype=bool), 0.01, 6.0, 2.5, 500)
    at = np.argmin(np.hypot(truth[0][0] - stars["x"], truth[1][0] - stars["y"]))
    assert np.hypot(truth[0][0] - stars["x"][at], truth[1][0] - stars["y"][at]) < 2
    assert stars["flags"][at] & 2


def test_an_empty_channel_has_no_stars():
    """Neither a constant nor gaps alone make a star; there is no width then."""
    for value in (1.0, np.nan):
        image = np.full(SHAPE, value, dtype=np.float32)
        stars = channel_stars(image, np.zeros(SHAPE, dtype=bool), 0.0, 6.0, 2.5, 500)
        assert len(stars) == 0
    width = width_of(np.zeros(0, dtype=STAR))
    assert width.stars == 0
    assert np.isnan(width.fwhm_px)


def test_the_variance_of_light_is_measured():
    """The slope of variance against light, where light is bright; 0 where it is not."""
    image, variance, _ = _channel()
    blocks = mean_blocks(image, variance)
    assert variance_of_light(blocks, np.float64(5.0), BLOCK_PX**2) == pytest.approx(0.01, rel=0.1)
    flat = mean_blocks(np.full(SHAPE, 5.0, dtype=np.float32), variance)
    assert variance_of_light(flat, np.float64(5.0), BLOCK_PX**2) == 0


def test_saturated_cores_begin_below_the_level_and_take_their_rim():
    """Two pixels more on all sides; without a level there are none."""
    image = np.zeros((20, 30), dtype=np.float32)
    image[10, 15] = 81
    cores = saturated_cores(image, 100.0)
    assert cores.sum() == 25
    assert cores[8:13, 13:18].all()
    assert not saturated_cores(image, np.inf).any()
    assert not saturated_cores(image, 110.0).any()
