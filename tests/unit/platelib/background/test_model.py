from dataclasses import replace

import numpy as np
import pytest
from unit.platelib.simulate.plain import scene_image

from platelib.background.block_average import BLOCK_PX, mean_blocks
from platelib.background.model import model_sky
from platelib.background.source_mask import find_light
from platelib.simulate.galaxies import ClusterSpec
from platelib.simulate.passbands import BandSpec
from platelib.simulate.scene import SceneSpec, build_scene
from platelib.simulate.spiral import SpiralSpec

SHAPE = (520, 700)
NOISE = 0.033


def _gradient(shape=SHAPE, level=1.4):
    y, x = np.indices(shape)
    u, v = (2 * x + 1) / shape[1] - 1, (2 * y + 1) / shape[0] - 1
    return level * (1 + 0.11 * u - 0.07 * v + 0.02 * (u * u + v * v) + 0.01 * u * v)


def _observed(light, sky, seed):
    variance = NOISE**2 + 0.0008 * light
    noise = np.random.default_rng(seed).standard_normal(light.shape)
    image = (sky + light + np.sqrt(variance) * noise).astype(np.float32)
    return image, variance.astype(np.float32)


@pytest.fixture(scope="module")
def spiral():
    """A spiral that covers a third of its field, of the brightness of the demo's, among stars.

    It covers what is brighter than a twentieth of the noise of a pixel.
    """
    size = {
        "width_px": SHAPE[1],
        "height_px": SHAPE[0],
        "bands": (BandSpec("g", "G", 530.0, 1.0, 180.0, 1.5),),
    }
    galaxy = {"spiral": SpiralSpec(330.0, 250.0, scale_px=51.0)}
    stars = {"zero_point": 21.0, "star_count": 500, "brightest_mag": 11.5, "faintest_mag": 20.8}
    every = SceneSpec(**size, **galaxy, **stars, cluster=ClusterSpec(25, 580.0, 400.0, 70.0))
    alone = SceneSpec(**size, **galaxy, **(stars | {"star_count": 0}))
    light = scene_image(build_scene(every), "g").astype(np.float64)
    target = scene_image(build_scene(alone), "g").astype(np.float64)
    middle = np.s_[every.margin_px : -every.margin_px, every.margin_px : -every.margin_px]
    if light.shape != SHAPE:
        light, target = light[middle], target[middle]
    assert light.shape == SHAPE
    return light, target


@pytest.mark.parametrize("kind", ["chebyshev", "thin_plate"])
def test_the_sky_is_flat_and_a_large_galaxy_is_kept(spiral, kind):
    """A spiral over a third of the field keeps its flux within 1 %; the sky is flat within 0.3.

    Flatness: the surface less the true gradient, rms over the sky, in units of the error of a
    cell median. Flux: what the surface takes out of the galaxy's place, over its light.
    """
    light, target = spiral
    covered = target > 0.05 * NOISE
    assert 0.3 < covered.mean() < 0.36
    sky = _gradient()
    for seed in (1, 2, 3):
        model = model_sky(mean_blocks(*_observed(light, sky, seed)), kind)
        wrong = model.surface.rows(0, SHAPE[0]) - sky
        assert np.std(wrong[~covered]) < 0.3 * np.median(model.cells.error)
        assert abs(wrong[covered].sum()) < 0.01 * target[covered].sum()
        blocks = np.kron(model.light, np.ones((BLOCK_PX, BLOCK_PX))) > 0
        assert blocks[covered].mean() > 0.97


def test_a_gradient_goes_that_is_much_larger_than_noise():
    """A moonlit sky of stars alone is flat afterwards, and the errors of the surface are honest."""
    pulls = []
    for seed in range(6):
        sky = _gradient(level=30.0)
        model = model_sky(mean_blocks(*_observed(np.zeros(SHAPE), sky, seed)))
        wrong = model.surface.rows(0, SHAPE[0]) - sky
        assert np.std(wrong) < 0.3 * np.median(model.cells.error)
        error = replace(model.surface, values=model.surface.errors).rows(0, SHAPE[0])
        pulls.append((wrong / error)[::40, ::40])
        assert model.light.mean() < 0.15
    assert np.std(pulls) == pytest.approx(1.0, abs=0.35)


def test_no_surface_takes_nothing_off(spiral):
    """With `none` the surface is one value, and the cells are measured all the same."""
    model = model_sky(mean_blocks(*_observed(spiral[0], _gradient(), 1)), "none")
    assert np.ptp(model.surface.values) == 0
    assert len(model.cells) > 100
    assert abs(model.surface.level - 1.4) < 0.05


def test_gaps_and_edges_without_data_do_no_harm(spiral):
    """Saturated cores and a border without data are left out; the surface is finite everywhere."""
    sky = _gradient()
    image, variance = _observed(spiral[0], sky, 1)
    image[:23], image[:, -31:], image[image > 15] = np.nan, np.nan, np.nan
    model = model_sky(mean_blocks(image, variance))
    wrong = (model.surface.rows(0, SHAPE[0]) - sky)[23:, :-31]
    assert np.std(wrong) < 0.35 * np.median(model.cells.error)
    assert np.isfinite(model.surface.values).all()


def test_few_cells_lower_the_degree_and_say_so():
    """A small image has no more terms than a quarter of its cells."""
    image, variance = _observed(np.zeros((80, 96)), _gradient((80, 96)), 3)
    model = model_sky(mean_blocks(image, variance), "chebyshev", 4)
    assert model.degree < 4
    assert model.note == f"degree {model.degree} instead of 4: {len(model.cells)} cells of sky"


def test_an_image_full_of_light_says_that_it_has_no_sky():
    """Where nothing is dark, the darkest quarter stands in."""
    y, x = np.indices(SHAPE)
    light = 60 * np.exp(-np.hypot(x - 350, y - 260) / 300)
    model = model_sky(mean_blocks(*_observed(light, _gradient(), 3)))
    assert np.isfinite(model.surface.values).all()
    assert model.surface.level < 1.4 + light.mean()


def test_without_data_there_is_no_sky():
    """An empty or tiny image is refused in words."""
    empty = np.full((80, 96), np.nan, dtype=np.float32)
    with pytest.raises(ValueError, match="no part of the image has enough data"):
        model_sky(mean_blocks(empty, empty))
    with pytest.raises(ValueError, match="an image of 2 x 3 pixels is too small for a sky"):
        mean_blocks(empty[:3, :2], empty[:3, :2])


def test_blocks_are_means_of_what_has_data():
    """Mean and variance of the mean of the pixels with data; too few of them are no block."""
    rng = np.random.default_rng(1)
    image = rng.standard_normal((9, 13)).astype(np.float32)
    variance = np.full((9, 13), 4.0, dtype=np.float32)
    image[0, 0], image[4:7, 4:8] = np.nan, np.nan
    blocks = mean_blocks(image, variance)
    assert blocks.mean.shape == (2, 3)
    assert blocks.mean[0, 0] == pytest.approx(np.nanmean(image[:4, :4].astype(float)))
    assert blocks.variance[0, 0] == pytest.approx(4 / 15)
    assert blocks.mean[1, 2] == pytest.approx(image[4:8, 8:12].astype(float).mean())
    assert not blocks.known[1, 1]
    assert np.isinf(blocks.variance[1, 1])


def test_faint_haloes_are_found_that_no_pixel_shows():
    """A disc a fifth of the noise bright is masked, while an empty sky hardly is."""
    rng = np.random.default_rng(9)
    y, x = np.indices((400, 520))
    disc = np.hypot(x - 250, y - 190) < 60
    variance = np.ones((400, 520), dtype=np.float32)
    empty = rng.standard_normal((400, 520)).astype(np.float32)
    for image, share in ((empty, 0.1), (empty + 0.2 * disc.astype(np.float32), 0.3)):
        blocks = mean_blocks(image, variance)
        found = find_light(blocks, blocks.mean, 3.0)
        assert found.mask.mean() < share
        assert found.noise_factor == pytest.approx(1.0, abs=0.1)
    inside = disc[1::4, 1::4] & (np.hypot(x - 250, y - 190) < 50)[1::4, 1::4]
    assert found.mask[inside].mean() > 0.95
