import json
import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from drawn_pictures import draw_files
from map_channels import map_channels
from measure_stars import measure_stars

from platefiles.fits.header_reader import read_header_bytes, texts_under
from platefiles.fits.products_io import read_header, read_image
from platefiles.plan.calibration_jobs import measure_stars_job
from platefiles.registration.registration_table import read_registration
from platefiles.settings.colour import Colour
from platefiles.settings.picture import Geometry, Stretch
from platefiles.subs.measures import read_measures
from platefiles.subs.saturation_levels import with_agreed_levels
from platelib.colour.star_cores import cores_of
from platelib.detection.star_table import FLAG_SATURATED

LEVEL, BLIND = 5000, "g-03.fits"
"""The brightest stars of the green lights reach some 15,000 ADU."""


@pytest.fixture(scope="module")
def clipped(make_bench, tiny_raw, tmp_path_factory):
    """The tiny set, cut off at 5000 ADU; one green light has but three pixels that reach it."""
    folder = tmp_path_factory.mktemp("clipped")
    shutil.copytree(tiny_raw, folder / "raw", copy_function=shutil.copyfile)
    lights = [path for path in (folder / "raw").rglob("*.fits") if _is_light(path)]
    for path in lights:
        with fits.open(path, mode="update") as hdus:
            hdus[0].data = np.minimum(hdus[0].data, np.uint16(LEVEL))
    with fits.open(min(path for path in lights if path.name == BLIND), mode="update") as hdus:
        data = hdus[0].data
        full = np.argwhere(data == LEVEL)
        middle = full[np.argmin(np.abs(full - full[len(full) // 2]).sum(axis=1))]
        order = np.argsort(np.abs(full - middle).sum(axis=1), kind="stable")
        fainter = np.random.default_rng(1).uniform(0.4, 0.9, len(full) - 3)
        data[tuple(full[order[3:]].T)] = LEVEL * fainter
    return make_bench(folder, folder / "raw")


def _is_light(path):
    return fits.getheader(path)["IMAGETYP"].lower().startswith("light")


def _subs(clipped):
    return read_measures([clipped.make_measures("g", n) for n in clipped.plan.nights("g")])


def test_the_level_reaches_the_channel(clipped):
    """All subs of a setting get the level that most show, and the channel says where it is from."""
    subs = _subs(clipped)
    assert sorted({sub.facts["pile_up_adu"] for sub in subs}) == [0, LEVEL]
    rows, _ = read_registration(clipped.make_registration("g"))
    assert {row.facts["saturation_adu"] for row in rows} == {0.98 * LEVEL}
    path = clipped.make_channel("g")
    header = read_header(path)
    assert header["SATADU"] == pytest.approx(0.98 * LEVEL)
    with Path(path).open("rb") as stream:
        (said,) = texts_under(read_header_bytes(stream), "SATFROM")
    assert said.startswith("camera setting ")
    assert "pixel values pile up at 5000 adu, below the full scale of the files (65535 adu)" in said
    gain, seconds = subs[0].facts["gain"], subs[0].facts["exposure_s"]
    scales = [row.facts["scale"] * seconds for row in rows if row.facts["state"] == "used"]
    bias = 500
    expected = (0.98 * LEVEL - bias) * gain / seconds * min(scales)
    assert header["SATURATE"] == pytest.approx(expected, rel=0.01)


def test_pictures_know_saturated_cores(clipped, tmp_path, restamp):
    """The cube tells cores of each channel, scaled with it; the picture is white there."""
    channels = {name: Path(clipped.make_channel(name)) for name in ("ha", "g", "b")}
    colours = {"red": {"ha": 1.0}, "green": {"g": 1.0}, "blue": {"b": 1.0}}
    straight, small = tmp_path / "straight.fits", tmp_path / "small.fits"
    map_channels(channels, straight, colours, Colour())
    map_channels(channels, small, colours, Colour(), geometry=Geometry(scale=0.5))
    percent, _ = read_image(straight, "CORES")
    expected = np.zeros(percent.shape, dtype=bool)
    for path in channels.values():
        expected |= read_image(path)[0] >= 0.8 * read_header(path)["SATURATE"]
    assert expected.sum() > 20
    assert (percent[expected] >= 80).all()
    assert 0 < np.count_nonzero(percent) < 30 * expected.sum()
    half, _ = read_image(small, "CORES")
    assert half.shape == tuple(size // 2 for size in percent.shape)
    assert half.max() >= 80
    cube, _ = read_image(straight)
    stretch = Stretch(white_clip_fraction=0.002)
    rendering = draw_files(straight, [tmp_path / "a.png"], stretch, "Tiny", crop="none")
    assert any("saturated cores" in step for step in rendering.steps)
    with fits.open(straight) as hdus:
        names = [hdu.name for hdu in hdus]
        del hdus["CORES"]
        hdus.writeto(tmp_path / "without.fits")
    restamp(tmp_path / "without.fits")
    assert "CORES" in names
    plain = draw_files(tmp_path / "without.fits", [tmp_path / "b.png"], stretch, "T", crop="none")
    outside = percent == 0
    np.testing.assert_array_equal(rendering.pixels[outside], plain.pixels[outside])
    deepest = (cores_of(percent).whiteness > 0.95) & np.isfinite(cube).all(axis=0)
    assert deepest.any()
    spread = np.ptp(rendering.pixels[deepest].astype(float), axis=1)
    assert (spread < 0.06 * rendering.pixels[deepest].max(axis=1)).all()
    # The linear data stay as they are: their cores are not white.
    assert (np.ptp(cube[:, deepest], axis=0) > 0.2 * cube[:, deepest].max(axis=0)).any()


def test_the_word_of_the_equipment_file_wins(clipped, tmp_path):
    """Where the user gives a level, nothing is looked for and the header says so."""
    night = clipped.plan.nights("g")[0]
    job = json.loads(measure_stars_job(clipped.plan, "g", night))
    job["camera"] |= {"saturation_adu": 3000.0}
    lights = clipped.plan.lights("g", night)
    measure_stars(clipped.raw(lights), clipped.masters_of(lights), tmp_path / "m.fits", job)
    for sub in read_measures([tmp_path / "m.fits"]):
        assert (sub.facts["saturation_adu"], sub.facts["pile_up_adu"]) == (3000.0, 0.0)


def test_full_scale_is_the_last_resort(bench):
    """Where nothing piles up, 0.98 of what the file can hold counts, and the header says so."""
    header = read_header(bench.make_channel("g"))
    assert header["SATADU"] == pytest.approx(0.98 * 65535)
    assert header["SATFROM"] == "file format"


def test_a_sub_without_pile_up_takes_the_level_of_the_others(clipped):
    """Stars of a sub whose few pixels tell nothing are flagged, none without such a pixel."""
    subs = _subs(clipped)
    (number,) = (k for k, sub in enumerate(subs) if not sub.facts["pile_up_adu"])
    own = (subs[number].stars["flags"] & FLAG_SATURATED) > 0
    assert not own.any()
    agreed = with_agreed_levels(subs)
    assert {sub.facts["saturation_adu"] for sub in agreed} == {0.98 * LEVEL}
    stars = agreed[number].stars
    now = (stars["flags"] & FLAG_SATURATED) > 0
    (frame,) = (f for f in clipped.plan.lights("g") if f.id == subs[number].id)
    y, x = np.nonzero(fits.getdata(frame.path) >= 0.98 * LEVEL)
    distance = np.hypot(stars["x"][:, None] - x, stars["y"][:, None] - y).min(axis=1)
    assert now[distance < 1].sum() >= 1
    assert not now[distance > 3].any()
    for before, after in zip(subs, agreed, strict=True):
        if before is not subs[number]:
            np.testing.assert_array_equal(before.stars, after.stars)


def test_settings_do_not_mix(clipped):
    """Subs of another camera setting keep what they have."""
    subs = _subs(clipped)
    blind = subs[0].with_saturation(math.inf, 0.0)
    blind.facts["setting"] = "another"
    agreed = with_agreed_levels([blind, *subs[1:]])
    assert agreed[0].facts["saturation_adu"] == math.inf
    assert agreed[1].facts["pile_up_adu"] == LEVEL


def test_a_pile_up_that_others_exceed_is_dropped(clipped):
    """Where other subs of the setting are brighter than a pile-up, full scale counts again."""
    subs = _subs(clipped)
    subs = [sub.with_saturation(math.inf, 0.0) for sub in subs[1:]] + subs[:1]
    for sub in subs[:-1]:
        sub.facts["top_adu"] = 2.0 * LEVEL
    agreed = with_agreed_levels(subs)
    assert agreed[-1].facts["pile_up_adu"] == 0
    assert math.isnan(agreed[-1].facts["saturation_adu"])
