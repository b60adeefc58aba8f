import numpy as np
import pytest
from unit.platelib.simulate.plain import plain_scene

from platelib.simulate.demo import demo_plan
from platelib.simulate.galaxies import ClusterSpec, cluster_table, paint_cluster
from platelib.simulate.passbands import BandSpec, flux_ratio
from platelib.simulate.scene import Scene, build_scene
from platelib.simulate.spiral import SpiralSpec

BANDS = (
    BandSpec("g", "G", 530.0, 1.0, 180.0, 1.5),
    BandSpec("b", "B", 450.0, 0.86, 180.0, 1.3),
    BandSpec("ha", "Ha", 656.3, 0.12, 600.0, 0.09, line=True),
)


@pytest.fixture(scope="module")
def spiral() -> Scene:
    """Return a scene of one spiral galaxy."""
    spec = SpiralSpec(200.0, 150.0, scale_px=40.0)
    return build_scene(plain_scene(400, 300, bands=BANDS, star_count=0, spiral=spec))


def test_small_galaxies_hold_their_light() -> None:
    """The painted galaxies sum to the rates of their magnitudes and colours."""
    table = cluster_table(ClusterSpec(20, 300.0, 250.0, 20.0), 600, 500, 40, seed=1)
    table = table[(np.abs(table["x"] - 300) < 90) & (np.abs(table["y"] - 250) < 90)]
    canvases = {band.name: np.zeros((580, 680), dtype=np.float32) for band in BANDS}
    paint_cluster(canvases, table, BANDS, 21.0, 40)
    light = 10.0 ** (-0.4 * (np.asarray(table["magnitude"]) - 21.0))
    for band in BANDS:
        expected = (light * flux_ratio(band, table["temperature_k"])).sum()
        assert canvases[band.name].sum(dtype=np.float64) == pytest.approx(expected, rel=1e-3)


def test_cluster_has_its_brightest_in_the_middle() -> None:
    """The first galaxy is the brightest elliptical, in the middle of the cluster."""
    table = cluster_table(ClusterSpec(60, 300.0, 250.0, 50.0), 600, 500, 40, seed=1)
    assert (table["x"][0], table["y"][0]) == (300.0, 250.0)
    assert np.all(np.diff(table["magnitude"]) >= 0)
    assert len(table) == 60


def test_regions_shine_in_the_line_only(spiral: Scene) -> None:
    """H II regions brighten the line band by far more of the arms' light than the others."""
    spec = SpiralSpec(200.0, 150.0, scale_px=40.0, region_count=0)
    bare = build_scene(plain_scene(400, 300, bands=BANDS, star_count=0, spiral=spec))
    rows = np.rint(spiral.h2_regions["y"][:20]).astype(int) + 40
    columns = np.rint(spiral.h2_regions["x"][:20]).astype(int) + 40
    gain = {
        name: np.median(canvas[rows, columns] / bare.extended[name][rows, columns] - 1)
        for name, canvas in spiral.extended.items()
    }
    assert gain["ha"] > 1.0
    assert gain["ha"] > 3 * gain["b"]


def test_arms_are_bluer_than_the_bulge(spiral: Scene) -> None:
    """Blue against green is lowest in the bulge and highest along the arms."""
    green, blue = spiral.extended["g"], spiral.extended["b"]
    ratio = blue / np.maximum(green, 1e-6)
    rows = np.rint(spiral.h2_regions["y"]).astype(int) + 40
    columns = np.rint(spiral.h2_regions["x"]).astype(int) + 40
    bulge = ratio[185:196, 235:246].mean()
    assert np.median(ratio[rows, columns]) > 1.25 * bulge


def test_dust_reddens(spiral: Scene) -> None:
    """Without dust the galaxy is brighter, and more so in blue than in green."""
    spec = SpiralSpec(200.0, 150.0, scale_px=40.0, dust=0.0)
    clear = build_scene(plain_scene(400, 300, bands=BANDS, star_count=0, spiral=spec))
    lost = {n: 1 - spiral.extended[n].sum() / clear.extended[n].sum() for n in "gb"}
    assert 0.03 < lost["g"] < lost["b"] < 0.6


def test_demo_field_is_filled() -> None:
    """The demo has a large spiral among small galaxies and one to three thousand stars."""
    spec = demo_plan().scene
    assert spec.spiral is not None
    assert spec.cluster is not None
    assert 60 <= spec.cluster.count <= 100
    assert 1500 <= spec.star_count <= 2500
    assert 6 * spec.spiral.scale_px > spec.width_px / 3
