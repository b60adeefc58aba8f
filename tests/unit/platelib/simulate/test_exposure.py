from dataclasses import replace

import numpy as np
import pytest
from unit.platelib.simulate.plain import plain_camera, plain_scene, scene_image

from platelib.simulate.camera import Camera, build_camera
from platelib.simulate.exposure import LightTruth, draw_light, expected_electrons, object_light
from platelib.simulate.passbands import BandSpec
from platelib.simulate.scene import MoverSpec, Scene, VariableSpec, build_scene
from platelib.simulate.spiral import SpiralSpec
from platelib.simulate.sub import NightSpec, SubSpec, apply_transform
from platelib.simulate.tracks import SatelliteSpec, trail_distance

WIDE, HIGH = 200, 150


def _lone_star(**changes: object) -> tuple[Scene, Camera]:
    spec = plain_scene(
        WIDE, HIGH, star_count=0, bright_stars=((88.37, 61.81, 14.0, 5800.0),), **changes
    )
    return build_scene(spec), build_camera(plain_camera(WIDE, HIGH))


def _sub(**changes: object) -> SubSpec:
    return replace(SubSpec("g", 180.0), **changes)


def _centroid(image: np.ndarray, x: float, y: float, reach: int = 20) -> tuple[float, float]:
    column, row = round(x), round(y)
    cut = image[row - reach : row + reach + 1, column - reach : column + reach + 1]
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    return column + (cut * dx).sum() / cut.sum(), row + (cut * dy).sum() / cut.sum()


@pytest.mark.parametrize("flipped", [False, True])
def test_transform_says_where_a_star_falls(flipped: bool) -> None:
    """The light of a star is centred where the transform of the truth puts it."""
    scene, camera = _lone_star()
    sub = _sub(dither_px=(7.3, -4.6), rotation_deg=0.7, flipped=flipped)
    _, truth = draw_light(scene, camera, sub, np.random.default_rng(1))
    x, y = apply_transform(truth.matrix, 88.37, 61.81)
    found = _centroid(object_light(scene, camera, sub), float(x), float(y))
    assert found == pytest.approx((float(x), float(y)), abs=0.003)


def test_star_holds_its_light() -> None:
    """A star's counts sum to its rate times exposure and transparency within 0.2 %."""
    scene, camera = _lone_star()
    sub = _sub(transparency=0.8)
    dark_sky = replace(scene.bands["g"], sky_e_s=0.0)
    scene = replace(scene, bands={"g": dark_sky})
    total = expected_electrons(scene, camera, sub).sum(dtype=np.float64)
    assert total == pytest.approx(float(scene.stars["flux_g"][0]) * 180.0 * 0.8, rel=2e-3)


def test_trail_smears_along_its_direction_only() -> None:
    """A trailed sub spreads a star along the trail by the trail's length."""
    scene, camera = _lone_star()
    variances = []
    for trail in [(0.0, 0.0), (12.0, 0.0)]:
        light = object_light(scene, camera, _sub(trail_px=trail)).astype(np.float64)
        y, x = np.mgrid[:HIGH, :WIDE]
        near = np.hypot(x - 88.37, y - 61.81) < 18
        spread_x = (light * near * (x - 88.37) ** 2).sum() / (light * near).sum()
        spread_y = (light * near * (y - 61.81) ** 2).sum() / (light * near).sum()
        variances.append((spread_x, spread_y))
    # A uniform distribution of length L has the variance L**2 / 12.
    assert variances[1][0] - variances[0][0] == pytest.approx(144 / 12, rel=0.05)
    assert variances[1][1] == pytest.approx(variances[0][1], rel=0.06)


def test_extended_light_turns_with_the_stars() -> None:
    """The spiral galaxy lands where the transform puts it, and keeps its light."""
    spiral = SpiralSpec(90.0, 80.0, scale_px=9.0, region_count=0)
    scene = build_scene(plain_scene(WIDE, HIGH, star_count=0, spiral=spiral))
    camera = build_camera(plain_camera(WIDE, HIGH))
    still = object_light(scene, camera, _sub())
    moved = object_light(scene, camera, _sub(dither_px=(6.0, -3.0), flipped=True))
    expected = np.roll(still[::-1, ::-1], (-3, 6), axis=(0, 1))
    inside = (slice(30, -30), slice(30, -30))
    assert np.abs(moved[inside] - expected[inside]).max() < 2e-3 * still.max()
    assert moved.sum() == pytest.approx(still.sum(), rel=1e-3)


def test_untouched_sub_shows_the_scene() -> None:
    """A perfect pointing gives the picture of the scene itself."""
    spiral = SpiralSpec(90.0, 80.0, scale_px=9.0)
    scene = build_scene(plain_scene(WIDE, HIGH, star_count=40, spiral=spiral))
    light = object_light(scene, build_camera(plain_camera(WIDE, HIGH)), _sub())
    reference = scene_image(scene, "g")
    assert np.abs(light - reference).max() < 1e-4 * reference.max()


def test_sky_follows_level_gradient_and_bend() -> None:
    """The sky has its level in the middle and rises by the stated share from edge to edge."""
    scene, camera = _lone_star()
    scene = replace(scene, stars=scene.stars[:0])
    night = NightSpec(sky_factor={"g": 2.0}, gradient=(0.2, 0.0))
    sky = expected_electrons(scene, camera, _sub(night=night)) / (180.0 * 1.5 * 2.0)
    assert sky[HIGH // 2, WIDE // 2] == pytest.approx(1.0, abs=0.002)
    assert sky[75, -1] - sky[75, 0] == pytest.approx(0.2 * (WIDE - 1) / WIDE, abs=1e-4)
    flipped = expected_electrons(scene, camera, _sub(night=night, flipped=True))
    assert flipped[75, -1] < flipped[75, 0]
    bent = expected_electrons(scene, camera, _sub(night=NightSpec(bend=0.1))) / (180.0 * 1.5)
    assert bent[0, 0] == pytest.approx(1.1, abs=1e-4)


def test_truth_of_the_sky_rebuilds_the_sky() -> None:
    """The polynomial of the truth gives the relative sky on every pixel."""
    scene, camera = _lone_star()
    scene = replace(scene, stars=scene.stars[:0])
    night = NightSpec(gradient=(0.2, -0.1), bend=0.05)
    sub = _sub(night=night, dither_px=(8.0, 5.0), rotation_deg=0.4, flipped=True)
    truth = draw_light(scene, camera, sub, np.random.default_rng(0))[1]
    x = np.arange(WIDE) - (WIDE - 1) / 2
    y = np.arange(HIGH)[:, None] - (HIGH - 1) / 2
    c0, c1, c2, c3 = truth.sky_polynomial
    expected = truth.sky_e_s * 180.0 * (c0 + c1 * x + c2 * y + c3 * (x**2 + y**2))
    assert np.allclose(expected_electrons(scene, camera, sub), expected, rtol=1e-5)


def test_cosmic_rays_are_where_the_truth_says() -> None:
    """Exactly the pixels of the truth stand out from the same frame without particles."""
    scene, camera = _lone_star()
    raw, truth = draw_light(scene, camera, _sub(cosmic_rays=12), np.random.default_rng(3))
    quiet = expected_electrons(scene, camera, _sub()) / 0.85 + 500.0
    excess = (raw - quiet) * 0.85
    rays = truth.cosmic_rays
    noise = np.sqrt(quiet[rays.y, rays.x] * 0.85 + rays.electrons + 9.0)
    assert np.all(np.abs(excess[rays.y, rays.x] - rays.electrons) < 6 * noise)
    away = np.ones(raw.shape, dtype=bool)
    away[rays.y, rays.x] = False
    sky = np.abs(expected_electrons(scene, camera, _sub()) - 270.0) < 20
    assert np.abs(excess[away & sky]).max() < 6 * np.sqrt(290.0 + 9.0)
    assert len(np.unique(rays.y * WIDE + rays.x)) == rays.x.size > 12


def test_satellite_crosses_the_frame() -> None:
    """A satellite trail has its peak on its line and its stated width, and nothing far from it."""
    scene, camera = _lone_star()
    trail = SatelliteSpec(100.0, 70.0, 25.0, 4.0, 900.0)
    difference = expected_electrons(scene, camera, _sub(satellite=trail)) - expected_electrons(
        scene, camera, _sub()
    )
    distance = np.abs(trail_distance(trail, WIDE, HIGH))
    assert difference[distance < 0.1].min() > 0.98 * 900
    half = difference[(distance > 1.95) & (distance < 2.05)]
    assert half.mean() == pytest.approx(450.0, rel=0.02)
    assert np.abs(difference[distance > 12]).max() < 0.01


def test_mover_moves_by_its_rate() -> None:
    """The moving object is at the place that the truth gives, smeared by its motion."""
    mover = MoverSpec(60.0, 70.0, 30.0, -6.0, 14.0)
    scene, camera = _lone_star(mover=mover)
    scene = replace(scene, stars=scene.stars[:0])
    places = []
    for time_h in (0.0, 1.0):
        sub = _sub(mid_time_h=time_h)
        truth = draw_light(scene, camera, sub, np.random.default_rng(0))[1]
        assert truth.mover is not None
        x, y, rate = truth.mover
        light = object_light(scene, camera, sub)
        assert _centroid(light, x, y) == pytest.approx((x, y), abs=0.01)
        assert light.sum() == pytest.approx(rate, rel=2e-3)
        places.append((x, y))
    assert np.subtract(places[1], places[0]) == pytest.approx((30.0, -6.0))


def test_variable_star_varies() -> None:
    """The variable star changes by twice its amplitude between its quarter periods."""
    variable = VariableSpec(100.0, 60.0, 14.0, amplitude_mag=0.25, period_h=4.0)
    scene, camera = _lone_star(variable=variable)
    rates = []
    for time_h in (1.0, 3.0):
        truth = draw_light(scene, camera, _sub(mid_time_h=time_h), np.random.default_rng(0))[1]
        assert truth.variable_e_s is not None
        rates.append(truth.variable_e_s)
    assert 2.5 * np.log10(rates[0] / rates[1]) == pytest.approx(0.5, abs=1e-6)


def test_same_generator_same_frame() -> None:
    """The same settings and the same seed give the same counts, another seed others."""
    scene, camera = _lone_star()
    frames = [
        draw_light(scene, camera, _sub(cosmic_rays=3), np.random.default_rng(seed))[0]
        for seed in (4, 4, 5)
    ]
    assert np.array_equal(frames[0], frames[1])
    assert not np.array_equal(frames[0], frames[2])


def test_band_scale_magnifies() -> None:
    """A band with another magnification spreads the stars by just that."""
    bands = (
        BandSpec("g", "G", 530.0, 1.0, 180.0, 1.5),
        BandSpec("b", "B", 450.0, 1.0, 180.0, 1.5, scale=1.01),
    )
    scene = build_scene(plain_scene(WIDE, HIGH, bands=bands))
    camera = build_camera(plain_camera(WIDE, HIGH))
    truths: list[LightTruth] = [
        draw_light(scene, camera, _sub(band=band), np.random.default_rng(0))[1] for band in "gb"
    ]
    x, _ = apply_transform(truths[1].matrix, np.array([0.0, 199.0]), np.array([0.0, 0.0]))
    assert x[1] - x[0] == pytest.approx(199.0 * 1.01)
