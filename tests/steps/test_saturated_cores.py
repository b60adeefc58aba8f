"""Saturated cores of calibrated frames, from the frames to the picture."""

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from drawn_pictures import draw_files
from map_channels import map_channels
from scipy.ndimage import shift

from platefiles.fits.header_reader import read_header_bytes, texts_under
from platefiles.fits.products_io import has_image, read_header, read_image
from platefiles.registration.registration_table import read_registration
from platefiles.settings.colour import Colour
from platefiles.settings.picture import Stretch
from platefiles.subs.measures import read_measures
from platefiles.subs.saturated_cores import read_cores
from platelib.detection.star_table import FLAG_SATURATED

SHAPE = (300, 380)
CLIP = 900.0
DRIFT = {"g": [(0, 0), (3.3, -2.6), (-4.2, 1.7)], "b": [(1.4, 2.2), (-2.5, 0.6), (0.3, -3.1)]}
"""Shift of each frame in x and y, px."""


def _sky(seed):
    rng = np.random.default_rng(seed)
    cells = rng.permutation(8 * 6)[:44]
    x = 30 + 46 * (cells % 8) + rng.uniform(-7, 7, 44)
    y = 30 + 48 * (cells // 8) + rng.uniform(-7, 7, 44)
    return x, y, 9 * CLIP * 10 ** -rng.uniform(0, 2.4, 44)


STARS = _sky(5)


def _frame(peaks, dx, dy, rng):
    """Stars with a Gaussian core and a wide halo, cut off, then laid on another grid."""
    light = np.zeros(SHAPE)
    rows, columns = np.ogrid[: SHAPE[0], : SHAPE[1]]
    for x, y, peak in zip(STARS[0] + dx, STARS[1] + dy, peaks, strict=True):
        square = (columns - x) ** 2 + (rows - y) ** 2
        light += peak * (0.95 * np.exp(-square / 4.4) + 0.05 / (1 + square / 14) ** 1.7)
    seen = np.minimum(light + rng.normal(0, 0.12, SHAPE), CLIP)
    return (shift(seen, (0.4, 0.3), order=3, mode="nearest") + 2).astype(np.float32)


def _draw(folder, **cards):
    folder.mkdir()
    rng = np.random.default_rng(12)
    for channel, colour in (("g", 1.0), ("b", 0.35)):
        for number, place in enumerate(DRIFT[channel]):
            header = fits.Header()
            header.update(
                FILTER=channel, IMAGETYP="light", EXPTIME=60.0, BUNIT="nanomaggy", **cards
            )
            header["DATE-OBS"] = f"2031-02-03T2{number}:00:00"
            image = _frame(colour * STARS[2], *place, rng)
            fits.PrimaryHDU(image, header).writeto(folder / f"{channel}-{number}.fits")
    return folder


def _bench_of(make_bench, folder, raw):
    channels = {name: {"filters": [name]} for name in "gb"}
    mapping = {"red": {"g": 1}, "green": {"g": 1}, "blue": {"b": 1}, "luminance": None}
    overrides = {"mapping": mapping}
    return make_bench(folder, raw, calibrated=True, channels=channels, overrides=overrides)


@pytest.fixture(scope="module")
def calibrated(make_bench, tmp_path_factory):
    """Three frames of two channels whose brightest stars are cut off at a level that none shows."""
    folder = tmp_path_factory.mktemp("calibrated")
    return _bench_of(make_bench, folder, _draw(folder / "raw"))


def _subs(bench, channel="g"):
    return read_measures([bench.make_measures(channel, n) for n in bench.plan.nights(channel)])


def test_each_sub_lists_its_cores_and_flags_their_stars(calibrated):
    """Nothing piles up; the cores are those of the stars that were cut off."""
    far_above = STARS[2] > 3 * CLIP
    for sub, (dx, dy) in zip(_subs(calibrated), DRIFT["g"], strict=True):
        assert sub.facts["pile_up_adu"] == 0
        distance = np.hypot(
            np.subtract.outer(STARS[0] + dx + 0.3, sub.cores.x),
            np.subtract.outer(STARS[1] + dy + 0.4, sub.cores.y),
        )
        assert distance.min(axis=1)[far_above].max() < 1
        assert (STARS[2][distance.argmin(axis=0)] > CLIP).all()
        flagged = sub.stars[(sub.stars["flags"] & FLAG_SATURATED) > 0]
        off = np.hypot(
            np.subtract.outer(flagged["x"], sub.cores.x),
            np.subtract.outer(flagged["y"], sub.cores.y),
        )
        assert len(flagged) > 5
        assert (off.min(axis=1) < sub.cores.radius_px.max()).all()


def test_the_channel_lists_cores_and_says_so(calibrated):
    """One core a star, on the grid; the header tells how many, and no level."""
    path = calibrated.make_channel("g")
    cores = read_cores(path)
    assert (cores["subs"] >= 1).all()
    assert cores["subs"].max() == 3
    apart = np.hypot(*(np.subtract.outer(cores[k], cores[k]) for k in "xy"))
    assert apart[~np.eye(len(apart), dtype=bool)].min() > 5
    header = read_header(path)
    assert "SATURATE" not in header
    with Path(path).open("rb") as stream:
        (said,) = texts_under(read_header_bytes(stream), "SATFROM")
    count = len(cores["x"])
    assert said.startswith(f"channel g: {count} stars have cores fainter than the wings")
    image, _ = read_image(path)
    peaks = [image[round(y), round(x)] for x, y in zip(cores["x"], cores["y"], strict=True)]
    assert min(peaks) > 0.5 * CLIP


def test_pictures_draw_cores_white(calibrated, tmp_path, restamp):
    """In the cube the cores of all channels are marked; the picture is white in the large ones."""
    channels = {name: Path(calibrated.make_channel(name)) for name in "gb"}
    colours = {"red": {"g": 1.0}, "green": {"g": 0.6, "b": 0.4}, "blue": {"b": 1.0}}
    map_channels(channels, tmp_path / "cube.fits", colours, Colour(white="mean_star"))
    percent, _ = read_image(tmp_path / "cube.fits", "CORES")
    cores = read_cores(channels["g"])
    for x, y in zip(cores["x"], cores["y"], strict=True):
        assert percent[round(y), round(x)] == 100
    assert np.count_nonzero(percent) < 0.05 * percent.size
    stretch = Stretch(white_clip_fraction=0.002)
    drawn = draw_files(tmp_path / "cube.fits", [tmp_path / "a.png"], stretch, "T", crop="none")
    with fits.open(tmp_path / "cube.fits") as hdus:
        del hdus["CORES"]
        hdus.writeto(tmp_path / "without.fits")
    restamp(tmp_path / "without.fits")
    plain = draw_files(tmp_path / "without.fits", [tmp_path / "b.png"], stretch, "T", crop="none")
    np.testing.assert_array_equal(drawn.pixels[percent == 0], plain.pixels[percent == 0])
    wide = cores["radius_px"] > 3
    assert wide.any()
    for x, y in zip(cores["x"][wide], cores["y"][wide], strict=True):
        assert np.ptp(drawn.pixels[round(y), round(x)].astype(float)) < 0.05 * 65535


def test_the_level_in_the_headers_counts(make_bench, tmp_path):
    """SATURATE of calibrated frames is believed, unless their pixels exceed it."""
    stated = _bench_of(make_bench, tmp_path, _draw(tmp_path / "raw", SATURATE=880.0))
    header = read_header(stated.make_channel("g"))
    assert header["SATADU"] == 880.0
    assert header["SATFROM"].startswith("SATURATE in the headers of the frames; channel g: ")
    (tmp_path / "low").mkdir()
    low = _bench_of(make_bench, tmp_path / "low", _draw(tmp_path / "low/raw", SATURATE=400.0))
    assert {sub.facts["saturation_adu"] for sub in _subs(low)} == {np.inf}


def test_raw_frames_have_no_such_list(bench):
    """Frames that are not calibrated show pile-ups; their stars are not looked at twice."""
    assert all(len(sub.cores) == 0 for sub in _subs(bench))
    assert not has_image(bench.make_channel("g"), "SATCORES")
    rows, _ = read_registration(bench.make_registration("g"))
    assert rows
