"""Stars and galaxies that are drawn here, found and told from each other."""

import numpy as np
import pytest
from astropy.table import Table
from scipy.spatial import cKDTree

from platelib.simulate.galaxies import ClusterSpec, cluster_table, paint_cluster
from platelib.simulate.passbands import BandSpec
from platelib.simulate.psf import add_stars, moffat_image
from platelib.sources.background_subtracted import field_sky
from platelib.sources.extract import COLUMNS, find_sources

NX, NY = 900, 640
FWHM, BETA, ZERO = 2.9, 3.0, 24.6
BAND = BandSpec("g", "G", 530.0, 1.0, 180.0, 1.5)


def blurred(canvas):
    """Let the seeing blur a canvas, by the Fourier transform of the star image."""
    stamp = moffat_image(FWHM, BETA, radius_px=24).phases[0, 0]
    kernel = np.zeros(canvas.shape)
    kernel[: stamp.shape[0], : stamp.shape[1]] = stamp
    half = stamp.shape[0] // 2
    kernel = np.roll(kernel, (-half, -half), axis=(0, 1))
    return np.fft.irfft2(np.fft.rfft2(canvas) * np.fft.rfft2(kernel), canvas.shape)


@pytest.fixture(scope="module")
def drawn():
    """An image of noise 1 with stars, galaxies and a wide one; what was drawn; what was found."""
    rng = np.random.default_rng(12)
    canvas = {"g": np.zeros((NY, NX), dtype=np.float32)}
    galaxies = cluster_table(ClusterSpec(45, 500.0, 300.0, 240.0, 14.5, 18.5), NX, NY, -25, 3)
    galaxies["radius_px"][0] = 14.0
    inside = (galaxies["x"] > 25) & (galaxies["x"] < NX - 25)
    inside &= (galaxies["y"] > 25) & (galaxies["y"] < NY - 25)
    galaxies = galaxies[inside]
    paint_cluster(canvas, galaxies, (BAND,), ZERO, 0)
    stars = Table({"x": rng.uniform(27, NX - 27, 500), "y": rng.uniform(27, NY - 27, 500)})
    stars["flux"] = 10 ** rng.uniform(1.6, 4.4, 500)
    profile = moffat_image(FWHM, BETA, radius_px=24)
    image = blurred(canvas["g"]) + rng.standard_normal((NY, NX)) + 20.0
    image = image.astype(np.float32)
    add_stars(image, stars["x"], stars["y"], stars["flux"], profile)
    field = field_sky(image, np.ones((NY, NX), np.float32), cell_px=256)
    return stars, galaxies, find_sources(field).table


def nearest(table, places):
    """Distance to the nearest source of each place, and its number."""
    return cKDTree(np.stack([table["x"], table["y"]], axis=1)).query(
        np.stack([places["x"], places["y"]], axis=1)
    )


def test_galaxies_are_extended(drawn):
    """Every galaxy of enough light is in the list of extended sources."""
    stars, galaxies, table = drawn
    lonely = nearest({"x": np.array(stars["x"]), "y": np.array(stars["y"])}, galaxies)[0] > 12
    distance, number = nearest(table, galaxies[lonely])
    assert lonely.sum() > 20
    assert (distance < 2).all()
    assert table["extended"][number].all()


def test_stars_are_not(drawn):
    """Of extended sources above 10 sigma by themselves fewer than 5 % are stars."""
    stars, galaxies, table = drawn
    alone = table["inside"] < 0
    rows = np.flatnonzero(table["extended"] & alone & (table["snr"] >= 10))
    names = ("x", "y")
    light = {name: table[name][rows] for name in names}
    to_galaxy, _ = cKDTree(np.stack([galaxies[n] for n in names], axis=1)).query(
        np.stack([light[n] for n in names], axis=1)
    )
    is_star = to_galaxy > 6
    assert rows.size > 25
    assert is_star.mean() < 0.05


def test_stars_keep_their_light(drawn):
    """Light of bright lonely stars is right within 2 %, and errors tell the scatter."""
    stars, galaxies, table = drawn
    distance, number = nearest(table, stars)
    pairs = cKDTree(np.stack([stars["x"], stars["y"]], axis=1)).query(
        np.stack([stars["x"], stars["y"]], axis=1), k=2
    )[0][:, 1]
    away, _ = nearest({n: np.array(galaxies[n]) for n in ("x", "y")}, stars)
    good = (distance < 0.5) & (pairs > 14) & (away > 40) & (stars["flux"] > 2000)
    ratio = table["flux"][number[good]] / stars["flux"][good]
    assert good.sum() > 15
    assert np.median(ratio) == pytest.approx(1, abs=0.02)


def test_wide_galaxy_has_its_size(drawn):
    """Half of the light of the largest galaxy lies within the radius that it was drawn with."""
    _, galaxies, table = drawn
    (number,) = nearest(table, galaxies[:1])[1]
    assert table["extended"][number]
    assert table["half_light_px"][number] == pytest.approx(14.0, rel=0.25)
    angle = np.radians(table["angle_deg"][number] - galaxies["angle_deg"][0])
    if galaxies["axis_ratio"][0] < 0.8:
        assert abs(np.sin(angle)) < 0.2


def test_table_is_in_order_and_complete(drawn):
    """Rows go from bright to faint, hold every column, and refer to rows that are there."""
    table = drawn[2]
    assert list(table) == list(COLUMNS)
    assert (np.diff(table["flux"]) <= 0).all()
    inside = table["inside"]
    assert ((inside >= -1) & (inside < inside.size)).all()
    assert table["extended"][inside[inside >= 0]].all()


def test_field_without_stars_is_refused():
    """Without a star nobody can say what is wider than one."""
    noise = np.random.default_rng(1).standard_normal((300, 400)).astype(np.float32)
    with pytest.raises(ValueError, match="star"):
        find_sources(field_sky(noise, np.ones_like(noise)))
