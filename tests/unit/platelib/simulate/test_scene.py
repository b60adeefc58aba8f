import numpy as np
import pytest
from unit.platelib.simulate.plain import plain_scene, scene_image

from platelib.simulate.passbands import BandSpec
from platelib.simulate.scene import (
    MoverSpec,
    SceneSpec,
    VariableSpec,
    build_scene,
    mover_place,
    star_rates,
)

GREEN = BandSpec("g", "G", 530.0, 1.0, 180.0, 1.5)


def test_star_counts_rise_geometrically() -> None:
    """Each magnitude holds `count_ratio` times the stars of the magnitude before."""
    spec = plain_scene(2000, 1500, star_count=60000, brightest_mag=11.0, count_ratio=2.2)
    magnitude = np.asarray(build_scene(spec).stars["magnitude"])
    counts = np.histogram(magnitude, bins=[13, 14, 15, 16, 17])[0]
    assert counts[1:] / counts[:-1] == pytest.approx([2.2] * 3, rel=0.1)


def test_star_count_is_that_of_the_frame() -> None:
    """The stated number of stars lies in the pointed frame; the canvas beyond is as dense."""
    spec = plain_scene(600, 400, star_count=3000)
    stars = build_scene(spec).stars
    x, y = np.asarray(stars["x"]), np.asarray(stars["y"])
    inside = (x > -0.5) & (x < 599.5) & (y > -0.5) & (y < 399.5)
    assert inside.sum() == pytest.approx(3000, abs=5 * np.sqrt(3000))
    assert len(stars) == round(3000 * 680 * 480 / (600 * 400))


def test_zero_point_gives_one_electron_per_second() -> None:
    """A star at the zero point gives one electron per second in a band of response 1."""
    spec = plain_scene(60, 50, star_count=0, bright_stars=((20.0, 20.0, 21.0, 4000.0),))
    assert build_scene(spec).stars["flux_g"][0] == pytest.approx(1.0)


def test_scene_image_holds_the_stars() -> None:
    """The noiseless picture sums to the rates of the stars in it within 0.1 %."""
    stars = ((50.2, 40.9, 14.0, 5800.0), (70.0, 66.6, 15.0, 9000.0))
    scene = build_scene(plain_scene(120, 100, star_count=0, bright_stars=stars))
    image = scene_image(scene, "g")
    assert image.shape == (100, 120)
    assert image.sum(dtype=np.float64) == pytest.approx(scene.stars["flux_g"].sum(), rel=1e-3)


def test_only_the_variable_star_varies() -> None:
    """All stars but the variable one keep their rate."""
    spec = plain_scene(200, 150, variable=VariableSpec(60.0, 50.0, 14.0, period_h=4.0))
    scene = build_scene(spec)
    early, late = star_rates(scene, "g", 1.0), star_rates(scene, "g", 3.0)
    variable = np.asarray(scene.stars["variable"])
    assert variable.sum() == 1
    assert np.array_equal(early[~variable], late[~variable])
    assert np.all(early[variable] > late[variable])


def test_mover_goes_straight() -> None:
    """A moving object is where its rate takes it."""
    mover = MoverSpec(10.0, 20.0, 30.0, -4.0, 16.0)
    assert mover_place(mover, 2.0) == pytest.approx((70.0, 12.0))


def test_same_settings_same_scene() -> None:
    """A scene depends on its settings alone."""
    first, again, other = (build_scene(plain_scene(100, 80, seed=seed)).stars for seed in (1, 1, 2))
    assert np.array_equal(first["x"], again["x"])
    assert not np.array_equal(first["x"], other["x"])


@pytest.mark.parametrize("bands", [(), (GREEN, GREEN)])
def test_bands_need_names_of_their_own(bands: tuple[BandSpec, ...]) -> None:
    """A scene without a band, or with two of one name, is refused."""
    with pytest.raises(ValueError, match="at least one band, each with a name of its own"):
        build_scene(SceneSpec(100, 80, bands))
