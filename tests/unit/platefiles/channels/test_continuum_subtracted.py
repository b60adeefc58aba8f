"""Continuum subtraction against the simulator's truth: known stars, known H II regions."""

from dataclasses import replace

import numpy as np
import pytest
from unit.platelib.simulate.plain import scene_image

from platefiles.channels.background_subtracted import CORE, FlatChannel
from platefiles.channels.continuum_subtracted import line_light
from platefiles.core.errors import UserError
from platefiles.settings.channels import Continuum
from platelib.colour.star_cores import saturated_cores
from platelib.detection.channel_stars import channel_stars
from platelib.photometry.annulus import circle_fluxes
from platelib.simulate.passbands import BandSpec, flux_ratio
from platelib.simulate.scene import SceneSpec, build_scene
from platelib.simulate.spiral import SpiralSpec

SHAPE = (480, 620)
NARROW = BandSpec("ha", "Ha", 656.3, 0.12, 600.0, 0.09, line=True)
BROAD = BandSpec("r", "R", 640.0, 0.9, 180.0, 1.4)
SKY = {"ha": 0.09, "r": 1.4}
NOISE = {"ha": 0.0042, "r": 0.03}
FULL = {"ha": 90.0, "r": 60.0}
SEEING = {"ha": 3.3, "r": 2.7}
CHOICE = Continuum(minus="r")
NAMES = ("ha", "r")


def _scene(**changes):
    spiral = SpiralSpec(310.0, 240.0, scale_px=34.0, region_count=60, region_e_s=20.0)
    stars = {"star_count": 420, "brightest_mag": 12.0, "faintest_mag": 19.0}
    settings = {"zero_point": 21.0, "spiral": spiral, "bright_stars": BRIGHT} | stars | changes
    return build_scene(SceneSpec(SHAPE[1], SHAPE[0], (NARROW, BROAD), **settings))


BRIGHT = ((90.0, 80.0, 10.2, 5600.0), (520.0, 400.0, 9.8, 5600.0), (100.0, 400.0, 11.0, 5600.0))


def _channel(scene, name, seed, full=np.inf):
    """A channel as a camera that holds so much, with noise, and its stars."""
    light = scene_image(scene, name, SEEING[name]).astype(np.float64)
    variance = NOISE[name] ** 2 + light / 1500
    noise = np.sqrt(variance) * np.random.default_rng(seed).standard_normal(SHAPE)
    image = np.minimum(SKY[name] + light + noise, full).astype(np.float32)
    cores = saturated_cores(image, full)
    stars = channel_stars(image, cores, 1 / 1500, 6.0, 2.5, 2000)
    channel = FlatChannel(image, variance.astype(np.float32), "electron/s", 1.0, cores)
    return channel, stars, light


def _copy(channel):
    """Copy a channel whose image is overwritten."""
    return replace(channel, image=channel.image.copy())


@pytest.fixture(scope="module")
def observed():
    """A line and its continuum, with saturated stars in both; stars have colours."""
    scene = _scene()
    narrow, narrow_stars, _ = _channel(scene, "ha", 1, FULL["ha"])
    broad, broad_stars, _ = _channel(scene, "r", 2, FULL["r"])
    stars = (narrow_stars, broad_stars)
    return (
        scene,
        narrow,
        broad,
        stars,
        line_light(_copy(narrow), _copy(broad), stars, SKY["r"], CHOICE, NAMES),
    )


def test_the_factor_is_that_of_the_stars(observed):
    """Fitted within 3 of its errors of the mean star's, which is known; errors are below 1 %."""
    scene, *_, line = observed
    temperature = np.asarray(scene.stars["temperature_k"])
    true = np.median(flux_ratio(NARROW, temperature) / flux_ratio(BROAD, temperature))
    assert line.scale.value == pytest.approx(true, abs=3 * line.scale.error)
    assert line.scale.error < 0.01 * line.scale.value
    assert line.scale.stars > 50
    cards = {card[0]: card[1] for card in line.cards(NAMES)}
    assert cards["MATCHED"] == "r"
    assert cards["FWHMNOW"] == pytest.approx(cards["FWHMTO"], rel=0.01)


def test_stars_vanish_to_within_their_noise(observed):
    """What is left in circles about stars scatters as noise and the stars' colours make it."""
    _, narrow, _, stars, line = observed
    pairs, kernel = line.matching.pairs, line.matching.kernel
    from_galaxy = np.hypot(pairs.x - 310, pairs.y - 240) > 190
    inside = (np.minimum(pairs.x, SHAPE[1] - pairs.x) > 20) & (
        np.minimum(pairs.y, SHAPE[0] - pairs.y) > 20
    )
    place = pairs.x[pairs.alone & from_galaxy & inside], pairs.y[pairs.alone & from_galaxy & inside]
    light, _ = circle_fluxes(narrow.image, narrow.variance, *place, 1.5 * kernel.wanted_px)
    left, error = circle_fluxes(line.image, line.variance, *place, 1.5 * kernel.wanted_px)
    sure = np.isfinite(left)
    noise = np.hypot(error * line.noise_factor, line.scale.scatter * light)
    pulls = (left / noise)[sure]
    assert sure.sum() > 45
    assert abs(np.median(pulls)) < 0.3
    assert 1.4826 * np.median(np.abs(pulls)) < 1.25
    assert line.scale.scatter < 0.05


def test_lines_stay_where_truth_has_them(observed):
    """The gas keeps its flux within 3 %, all together, and each H II region has its place.

    The young stars around it are bluer than the mean star, so a part of it goes with them.
    """
    scene, *_, line = observed
    table = scene.h2_regions
    dark = _scene(spiral=replace(scene.spec.spiral, region_e_s=1e-6, glow_e_s=0.0))
    lit, plain = (scene_image(s, "ha", SEEING["ha"]).astype(float) for s in (scene, dark))
    emission = lit - plain
    bright = emission > 0.05
    excess = line.image - SKY["ha"]
    assert bright.sum() > 300
    assert excess[bright].sum() == pytest.approx(emission[bright].sum(), rel=0.03)
    order = np.argsort(-np.asarray(table["line_e_s"]))[:8]
    for x, y in zip(table["x"][order], table["y"][order], strict=True):
        rows, columns = int(round(y)), int(round(x))
        part = np.s_[rows - 2 : rows + 3, columns - 2 : columns + 3]
        if emission[part].max() > 0.1:
            assert excess[part].max() > 10 * NOISE["ha"]


def test_saturated_cores_leave_no_holes(observed):
    """The cores are marked and filled; no pixel of them is darker than noise can make it."""
    _, narrow, broad, _, line = observed
    cores = (line.mask & CORE) > 0
    assert cores[narrow.cores | broad.cores].all()
    assert 100 < cores.sum() < 6000
    sky = float(np.median(line.image))
    assert np.isfinite(line.image).all()
    assert np.isnan(line.variance[cores]).all()
    assert (line.image[cores] - sky).min() > -5 * NOISE["ha"]
    for x, y, *_ in BRIGHT:
        near = np.s_[int(y) - 15 : int(y) + 16, int(x) - 15 : int(x) + 16]
        significance = (line.image[near] - sky) / np.sqrt(line.variance[near])
        assert np.nanmin(significance) > -6


def test_a_narrow_band_that_saturates_alone_leaves_no_hole_either():
    """Cores that only the line's camera could not hold would come out far below zero."""
    scene = _scene(star_count=300)
    narrow, narrow_stars, _ = _channel(scene, "ha", 1, 2.0)
    broad, broad_stars, _ = _channel(scene, "r", 2)
    given = Continuum(minus="r", scale=0.133)
    both = (narrow_stars, broad_stars)
    line = line_light(_copy(narrow), _copy(broad), both, SKY["r"], given, NAMES)
    assert (line.image - SKY["ha"]).min() > -0.3
    blind = replace(narrow, cores=np.zeros(SHAPE, dtype=bool))
    hole = line_light(blind, broad, both, SKY["r"], given, NAMES)
    assert (hole.image - SKY["ha"]).min() < -10


def test_channels_that_do_not_fit_are_refused(observed):
    """Other units, and fields without stars in common, are told with the remedy."""
    _, narrow, broad, stars, _ = observed
    other = FlatChannel(broad.image, broad.variance, "adu", 1.0, broad.cores)
    with pytest.raises(UserError, match="name a channel of the same camera under 'minus'"):
        line_light(narrow, other, stars, SKY["r"], CHOICE, NAMES)
    with pytest.raises(UserError, match="0 stars are too few to fit a scale, 5 are needed"):
        line_light(_copy(narrow), _copy(broad), (stars[0], stars[1][:0]), SKY["r"], CHOICE, NAMES)
