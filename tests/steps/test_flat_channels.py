"""From integrated channels to channels that can be blended: sky, seeing, matching, lines."""

import csv
import json

import numpy as np
import pytest
from list_seeing import list_seeing
from map_channels import map_channels
from match_channel import match_channel
from subtract_continuum import subtract_continuum
from subtract_gradient import subtract_gradient

from platefiles.channels.background_subtracted import (
    read_flat_channel,
    read_flat_image,
    read_sky,
    read_stars,
)
from platefiles.core.errors import UserError
from platefiles.fits.products_io import (
    image_hdu,
    read_header,
    read_image,
    read_table,
    write_product,
)
from platefiles.plan.mapped_jobs import match_job, seeing_job, sky_job
from platefiles.provenance.record import read_record
from platefiles.settings.colour import Colour
from platelib.background.surface import RING

CHANNELS = ("g", "b", "ha")


@pytest.fixture(scope="module")
def channels(bench):
    """Integrated channels of the tiny set."""
    return {name: bench.make_channel(name) for name in CHANNELS}


@pytest.fixture(scope="module")
def skies(bench, channels, tmp_path_factory):
    """Models of their skies."""
    folder = tmp_path_factory.mktemp("sky")
    for name, path in channels.items():
        subtract_gradient(path, folder / f"{name}.fits", json.loads(sky_job(bench.plan, name)))
    return {name: folder / f"{name}.fits" for name in CHANNELS}


@pytest.fixture(scope="module")
def matched(bench, channels, skies, tmp_path_factory):
    """Channels with stars of one width."""
    folder = tmp_path_factory.mktemp("matched")
    for name in CHANNELS:
        job = json.loads(match_job(bench.plan, name))
        everything = [*channels.values()], [*skies.values()]
        match_channel(*everything, folder / f"{name}.fits", job)
    return {name: folder / f"{name}.fits" for name in CHANNELS}


def _line_job(bench, channel="ha", minus="g", scale="auto"):
    job = json.loads(sky_job(bench.plan, channel))
    return job | {"settings": {"continuum": {channel: {"minus": minus, "scale": scale}}}}


def test_a_model_of_the_sky_is_small_and_tells_all(bench, skies, channels):
    """Surface and error at nodes, what was light, cells and stars; the record leads to the raws."""
    for name, path in skies.items():
        header = read_header(path, "SKY")
        surface = read_sky(path)
        assert surface.values.shape == (header["NAXIS2"], header["NAXIS1"])
        assert header["SURFACE"] == "chebyshev"
        assert header["BUNIT"] == "electron/s"
        assert header["SKYMEAN"] == pytest.approx(surface.level, rel=1e-6)
        assert (surface.errors[RING:-RING, RING:-RING] > 0).all()
        light, _ = read_image(path, "LIGHT")
        assert light.shape == tuple(size // 4 for size in surface.lattice.shape)
        assert light.mean() == pytest.approx(header["LIGHTSHR"], abs=1e-4)
        cells = read_table(path, "CELLS")
        assert len(cells) == header["NCELLS"] > 20
        assert set(read_table(path, "STARS").colnames) >= {"x", "y", "flux", "fwhm", "flags"}
        assert read_record(path).making.inputs == {"channel": (f"channels/{name}.fits",)}
        assert len(read_record(path).raws) == len(read_record(channels[name]).raws)
        assert path.stat().st_size < 0.2 * 320 * 240 * 14


def test_stars_are_those_of_the_simulator(bench, skies):
    """Bright stars are in the list, at their places on the grid, within a tenth of a pixel."""
    reference = next(f for f in bench.plan.frames if f.id == bench.plan.pinned.reference)
    matrix = bench.matrix(reference)
    truth = bench.truth_table("stars")
    x, y = matrix[:, :2] @ np.stack([truth["x"], truth["y"]]) + matrix[:, 2:]
    stars = read_stars(skies["g"])
    inside = (x > 20) & (x < 300) & (y > 20) & (y < 220)
    bright = inside & (np.array(truth["magnitude"]) < 15)
    assert bright.sum() > 10
    misses = [np.hypot(stars["x"] - px, stars["y"] - py).min()
              for px, py in zip(x[bright], y[bright], strict=True)]  # fmt: skip
    assert np.median(misses) < 0.1


def test_the_gradient_goes_and_the_level_stays(channels, skies):
    """The flat image is the channel less the surface, but for the mean of that."""
    for name in CHANNELS:
        image, _ = read_image(channels[name])
        flat, _ = read_flat_image(channels[name], skies[name])
        surface = read_sky(skies[name])
        taken = surface.rows(0, image.shape[0]) - surface.level
        known = np.isfinite(image)
        np.testing.assert_array_equal(flat[known], (image - taken.astype(np.float32))[known])
        unchanged, _ = read_flat_image(channels[name], None)
        np.testing.assert_array_equal(unchanged, image)


def test_no_surface_leaves_the_pixels_alone(bench, channels, tmp_path):
    """With `surface: none` the channel stays what it is, to the last bit."""
    job = json.loads(sky_job(bench.plan, "g"))
    job["settings"]["gradient"]["surface"] = "none"
    subtract_gradient(channels["g"], tmp_path / "g.fits", job)
    image, _ = read_image(channels["g"])
    flat, _ = read_flat_image(channels["g"], tmp_path / "g.fits")
    np.testing.assert_array_equal(flat, image)
    assert read_header(tmp_path / "g.fits", "SKY")["SKYRANGE"] == 0


def test_a_channel_without_data_is_refused(bench, tmp_path):
    """The file is named, and what to do."""
    empty = np.full((60, 80), np.nan, dtype=np.float32)
    path = tmp_path / "g.fits"
    write_product(path, [], [image_hdu(empty, "SCI"), image_hdu(empty, "VAR")])
    with pytest.raises(UserError, match=r"g\.fits: no part of the image has enough data"):
        subtract_gradient(path, tmp_path / "sky.fits", json.loads(sky_job(bench.plan, "g")))


def test_seeing_of_all_channels_is_listed(bench, skies, tmp_path):
    """A row a channel, in the order of the plan; the softest has the ratio one."""
    job = json.loads(seeing_job(bench.plan))
    list_seeing([skies[name] for name in ("b", "ha", "g")], tmp_path / "seeing.tsv", job)
    with open(tmp_path / "seeing.tsv", encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream, delimiter="\t"))
    assert [row["channel"] for row in rows] == list(CHANNELS)
    widths = [float(row["fwhm_px"]) for row in rows]
    assert all(2.5 < width < 4.5 for width in widths)
    assert all(int(row["stars"]) > 10 and float(row["fwhm_error_px"]) < 0.2 for row in rows)
    softest = rows[widths.index(max(widths))]
    assert (float(softest["softest_ratio"]), float(softest["softening_px"])) == (1, 0)
    for row, width in zip(rows, widths, strict=True):
        both = np.hypot(width, float(row["softening_px"]))
        assert both == pytest.approx(max(widths), abs=0.01)


def test_matched_channels_have_one_width(bench, channels, skies, matched):
    """What is sharper is convolved; counts and subs go along, noise is told anew.

    A channel that is as soft as the softest, but for noise, stays as it is, and says so.
    """
    headers = {name: read_header(path) for name, path in matched.items()}
    softest = max(CHANNELS, key=lambda name: read_header(skies[name])["FWHM"])
    left = [name for name, header in headers.items() if header["MATCHED"] == "none"]
    assert softest in left
    assert len(left) < len(CHANNELS)
    assert all("NOTDONE1" in headers[name] for name in left if name != softest)
    for name, header in headers.items():
        image, _ = read_image(matched[name])
        variance, _ = read_image(matched[name], "VAR")
        before = read_flat_channel(channels[name], skies[name])
        if name in left:
            np.testing.assert_array_equal(image, before.image)
            continue
        assert header["MATCHTO"] == softest
        assert header["FWHMNOW"] == pytest.approx(header["FWHMTO"], rel=0.02)
        assert header["FWHMRAT"] == pytest.approx(header["FWHMTO"] / header["FWHMWAS"], abs=1e-3)
        assert 0 < header["MATCHRES"] < 0.1
        middle = np.s_[40:-40, 40:-40]
        light = np.nansum(image[middle]) / np.nansum(before.image[middle])
        assert light == pytest.approx(1, abs=0.002)
        assert np.nanmedian(variance) <= np.nanmedian(before.variance)
        parts = ((variance, header["NOISCORR"]), (before.variance, before.noise_factor))
        sums = [np.sqrt(np.nanmedian(plane)) * factor for plane, factor in parts]
        assert sums[0] == pytest.approx(sums[1], rel=0.03)
        for plane in ("COUNT", "CLIPPED"):
            np.testing.assert_array_equal(
                read_image(matched[name], plane)[0], read_image(channels[name], plane)[0]
            )
        assert header["NCOMBINE"] == read_header(channels[name])["NCOMBINE"]
        assert len(read_table(matched[name], "INPUTS")) == 8


@pytest.mark.parametrize("of", ["channels", "matched"])
def test_a_line_is_what_the_continuum_leaves(bench, request, skies, of, tmp_path):
    """Starlight goes, H II regions stay; the header tells factor, error, stars and kernel."""
    paths = request.getfixturevalue(of)
    path = tmp_path / "ha.fits"
    pair = ("ha", "g")
    subtract_continuum(
        [paths[name] for name in pair], [skies[name] for name in pair], path, _line_job(bench)
    )
    header = read_header(path)
    assert header["CONTCHAN"] == "g"
    assert header["CONTNUM"] > 10
    # H-alpha over green of stars of 5800 K, from the bands of the simulator; the field is warm.
    assert header["CONTSCAL"] == pytest.approx(0.12, rel=0.2)
    assert 0 < header["CONTERR"] < 0.02
    assert (header["MATCHED"] == "none") == (of == "matched")
    narrow = read_flat_channel(paths["ha"], skies["ha"])
    line, _ = read_image(path)
    mask, _ = read_image(path, "MASK")
    assert set(np.unique(mask)) <= {0, 1, 2, 3, 4}
    np.testing.assert_array_equal(np.isfinite(line), (mask & 3) == 0)
    stars = read_stars(skies["ha"])
    good = stars[(stars["flags"] == 0) & (stars["flux"] > 40 * stars["flux_error"])]
    rows, columns = np.rint(good["y"]).astype(int), np.rint(good["x"]).astype(int)
    sky = np.nanmedian(line)
    left = (line - sky)[rows, columns] / (narrow.image - np.nanmedian(narrow.image))[rows, columns]
    assert np.nanmedian(np.abs(left)) < 0.25
    assert abs(sky - np.nanmedian(narrow.image)) < 0.02 * abs(sky) + 0.003
    assert read_record(path).making.step == "subtract_continuum"


def test_a_given_scale_is_used_as_it_is(bench, channels, skies, tmp_path):
    """No star is asked, and what is subtracted is that share of the light above the sky."""
    pair = ("ha", "g")
    paths = [channels[name] for name in pair], [skies[name] for name in pair]
    images = {}
    for scale in (0.05, 0.1):
        subtract_continuum(*paths, tmp_path / "ha.fits", _line_job(bench, scale=scale))
        images[scale], _ = read_image(tmp_path / "ha.fits")
        header = read_header(tmp_path / "ha.fits")
        assert (header["CONTSCAL"], header["CONTNUM"]) == (scale, 0)
        assert "CONTERR" not in header
    difference = images[0.05] - images[0.1]
    assert abs(np.nanmedian(difference)) < 0.003
    assert np.nanmax(difference) > 0.3


def test_lines_and_flat_channels_are_mapped(bench, channels, skies, matched, tmp_path):
    """A cube takes gradients off where there are some still, and no twice."""
    colours = {"red": {"ha": 1.0}, "green": {"g": 1.0}, "blue": {"b": 1.0}}
    colour = Colour(white="given", grey_sky=False)
    cube = tmp_path / "cube.fits"
    own = {"ha": matched["ha"], "g": channels["g"], "b": channels["b"]}
    map_channels(own, cube, colours, colour, paths_to_skies={"ha": skies["ha"], "g": skies["g"]})
    planes, _ = read_image(cube)
    np.testing.assert_array_equal(planes[0], read_image(matched["ha"])[0])
    np.testing.assert_array_equal(planes[1], read_flat_image(channels["g"], skies["g"])[0])
    np.testing.assert_array_equal(planes[2], read_image(channels["b"])[0])
