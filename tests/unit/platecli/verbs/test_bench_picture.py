import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from astropy.table import Table
from astropy.wcs import WCS
from PIL import Image

from platecli.verbs.bench import BENCH, subs_of_parts
from platefiles.config.load import load_project
from platefiles.core.errors import UserError

sys.path.insert(0, str(BENCH))

import comparison  # noqa: E402
import meter  # noqa: E402
import parts  # noqa: E402
import picture_comparison  # noqa: E402
import picture_set  # noqa: E402
import picture_tables  # noqa: E402
import raw_set  # noqa: E402
import tables  # noqa: E402

SIZE = (320, 260)
MB = 1_000_000
SKY, NOISE, STAR_SIGMA_PX = 100.0, 1.0, 1.6
STARS = ((60.0, 200.0, 9000.0), (250.0, 70.0, 6000.0))


@pytest.fixture(scope="module")
def raw(tmp_path_factory) -> Path:
    """A drawn set of few and small frames."""
    folder = tmp_path_factory.mktemp("picture") / "raw"
    raw_set.draw(picture_set.picture_plan(3, SIZE, 2), folder)
    return folder


def test_drawn_set_has_three_channels(raw):
    """Each channel has its lights on both sides of the meridian, and its flats."""
    names = [path.stem for path in raw_set.lights(raw)]
    assert names == [f"{channel}-{k:02d}" for k in (1, 2, 3) for channel in "bgr"]
    assert len(raw_set.calibration(raw)) == 2 + 2 + 3 * 2
    truth = json.loads((raw / "truth" / "observation.json").read_text())["frames"]
    for channel in "rgb":
        subs = [truth[f"2026-03-23/{channel}-{k:02d}"]["sub"] for k in (1, 2, 3)]
        assert [sub["flipped"] for sub in subs] == [True, False, False]


def test_frames_of_all_sizes_show_the_same_field():
    """Galaxies lie at the same share of the frame; stars grow in number with the area.

    The Tycho-2 stars are those that a frame covers, so a larger one has all of a smaller one.
    """
    small, large = (picture_set.picture_plan(4, size) for size in ((1200, 900), (2400, 1800)))
    for plan in (small, large):
        width, height = plan.scene.width_px, plan.scene.height_px
        assert plan.scene.spiral.x_px / width == pytest.approx(0.45)
        assert plan.scene.spiral.scale_px / width == pytest.approx(1 / 15)
        assert plan.scene.star_count == round(180 * width * height / 1e6)
    assert 0 < len(small.scene.bright_stars) < len(large.scene.bright_stars)
    assert {star[2] for star in small.scene.bright_stars} <= {
        star[2] for star in large.scene.bright_stars
    }


def test_our_command_makes_the_picture_of_three_channels(raw, tmp_path):
    """The project has the channels of the set, and the recipe takes all of them."""
    settings = picture_comparison.PROJECT_OF_THREE
    command = comparison.our_command(
        raw, tmp_path, settings, ["picture", "results/bench/seeing.tsv"], {}
    )
    loaded = load_project(command.words[3], "")
    assert list(loaded.project.channels) == ["r", "g", "b"]
    assert command.words[-4:] == ["--to", "picture", "--to", "results/bench/seeing.tsv"]


@pytest.fixture
def ours(tmp_path) -> Path:
    """A folder of a run with three channels that hold a sloping sky and two stars each."""
    folder = tmp_path / "platelog"
    results = folder / comparison.RESULTS
    for name in ("channels", "picture"):
        (results / name).mkdir(parents=True)
    width, height = SIZE
    y, x = np.mgrid[:height, :width]
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval, wcs.wcs.crpix, wcs.wcs.cdelt = [158.6, 30.0], [160.5, 130.5], [-0.001, 0.001]
    rng = np.random.default_rng(5)
    for factor, channel in zip((1.0, 0.8, 0.6), "rgb", strict=True):
        image = rng.normal(SKY + 0.1 * x, NOISE, (height, width))
        for star_x, star_y, flux in STARS:
            square = (x - star_x) ** 2 + (y - star_y) ** 2
            peak = factor * flux / (2 * np.pi * STAR_SIGMA_PX**2)
            image += peak * np.exp(-square / (2 * STAR_SIGMA_PX**2))
        image[:, :2] = np.nan
        sci = fits.ImageHDU(image.astype(np.float32), wcs.to_header(), name="SCI")
        fits.HDUList([fits.PrimaryHDU(), sci]).writeto(results / "channels" / f"{channel}.fits")
    return folder


def kept_chain(ours: Path, folder: Path, compression: str | None, monkeypatch) -> Path:
    """Run the chain on all products and return its folder."""
    picture = ours / comparison.RESULTS / "picture" / "broadband-rgb.tif"
    tifffile.imwrite(picture, np.zeros((4, 4, 3), np.uint16), compression=compression)
    monkeypatch.setattr(picture_comparison.shutil, "rmtree", lambda path: None)
    run = picture_comparison.run_chain(ours, folder, True)
    assert run.usage.file_bytes["pictures"] > 4 * 3 * SIZE[0] * SIZE[1]
    assert run.usage.file_bytes["field"] > 0
    return folder


@pytest.mark.parametrize("compression", [None, "zlib"])
def test_library_chain_makes_the_same_kinds_of_pictures(ours, tmp_path, monkeypatch, compression):
    """PNG, JPEG, 16-bit TIFF as ours is compressed, and a linear image without background.

    A star's flux in the linear image is the one that was put there.
    """
    made = kept_chain(ours, tmp_path / "libraries", compression, monkeypatch)
    with tifffile.TiffFile(made / "picture" / "rgb.tif") as picture:
        pixels = picture.asarray()
        assert (picture.pages.first.compression == 1) == (compression is None)
    assert (pixels.shape, pixels.dtype) == ((SIZE[1], SIZE[0], 3), np.uint16)
    for ending in ("png", "jpg"):
        with Image.open(made / "picture" / f"rgb.{ending}") as picture:
            assert (picture.size, picture.mode) == (SIZE, "RGB")
            top = np.asarray(picture).max(axis=2)
        y, x = np.unravel_index(top.argmax(), top.shape)
        assert abs(x - STARS[0][0]) < 4  # the brighter star; row 0 is the bottom of the picture
        assert abs(SIZE[1] - 1 - y - STARS[0][1]) < 4
    linear = fits.getdata(made / "picture" / "rgb.fits")
    assert linear.shape == (3, SIZE[1], SIZE[0])
    assert np.median(linear[0]) == pytest.approx(0, abs=0.3 * NOISE)
    x, y, flux = STARS[0]
    box = linear[1][int(y) - 8 : int(y) + 9, int(x) - 8 : int(x) + 9]
    assert box.sum() == pytest.approx(0.8 * flux, rel=0.03)


def test_library_chain_measures_sources(ours, tmp_path, monkeypatch):
    """Both stars are in the table with place, sky position and the flux of each channel.

    Expected: the share of a Gaussian inside the aperture, 1 - exp(-r^2 / (2 sigma^2)).
    """
    made = kept_chain(ours, tmp_path / "libraries", None, monkeypatch)
    sources = Table.read(made / "field" / "sources.ecsv")
    assert len(Table.read(made / "field" / "sources.csv")) == len(sources)
    inside = 1 - np.exp(-(3.0**2) / (2 * STAR_SIGMA_PX**2))
    for x, y, flux in STARS:
        row = sources[np.argmin((sources["x"] - x) ** 2 + (sources["y"] - y) ** 2)]
        assert (row["x"], row["y"]) == (pytest.approx(x, abs=0.2), pytest.approx(y, abs=0.2))
        assert row["dec"] == pytest.approx(30.0 + 0.001 * (y - 129.5), abs=2e-4)
        assert row["flux_b"] == pytest.approx(0.6 * flux * inside, rel=0.05)
    with Image.open(made / "field" / "annotated.png") as drawn:
        assert (255, 200, 0) in {colour for _, colour in drawn.getcolors(2**24)}


def test_part_from_channels_removes_what_is_made_of_them(ours, tmp_path, monkeypatch):
    """Before the part is measured, pictures, skies and sources are gone; what channels need stays.

    Only jobs that end afterwards count.
    """
    results = ours / comparison.RESULTS
    stays = ("registration/r.fits", "calibration/bias.fits", "field/solution.fits", "frames.tsv")
    goes = ("picture/broadband-rgb.png", "sky/r.fits", "field/sources.vot", "field/annotated.svg")
    for name in (*stays, *goes, "contact_sheet.png", "field/depth.fits"):
        (results / name).parent.mkdir(parents=True, exist_ok=True)
        (results / name).touch()
    earlier = results / "benchmarks" / "integrate" / "r.tsv"
    earlier.parent.mkdir(parents=True)
    earlier.write_text("s\tmax_rss\tcpu_time\n1\t1\t1\n")
    found = []

    def measured(command: meter.Command) -> meter.Usage:
        found.extend(path for path in results.rglob("*") if path.is_file())
        (results / "benchmarks" / "map_channels.tsv").write_text("s\tmax_rss\tcpu_time\n2\t1\t3\n")
        return usage()

    monkeypatch.setattr(picture_comparison, "measure", measured)
    run = picture_comparison.run_part(tmp_path / "raw", ours, ["results/bench/seeing.tsv"])
    channels = picture_comparison.channel_files(ours)
    assert len(channels) == 3
    assert set(found) == {*channels, *(results / name for name in stays), earlier}
    assert list(run.steps) == ["map_channels"]
    assert run.steps_cpu_s == 3.0


def test_display_values_are_no_picture(tmp_path):
    """Files that a picture is drawn from count with the other files, not with the pictures."""
    folder = tmp_path / comparison.RESULTS / "picture"
    folder.mkdir(parents=True)
    for ending, size in (("png", 10), ("fits", 200), ("display.fits", 3000)):
        (folder / f"broadband-rgb.{ending}").write_bytes(bytes(size))
    command = comparison.our_command(
        tmp_path / "raw", tmp_path, {}, ["picture"], picture_comparison._OURS_KINDS
    )
    found = meter.bytes_by_kind(folder.parents[2], command.kinds)
    assert (found["pictures"], found["scratch"] >= 3000) == (210, True)


def test_floor_reads_channels_and_writes_as_much_as_the_products(ours, tmp_path):
    """The floor is some time, and its file is gone afterwards."""
    product = tmp_path / "product"
    channels = picture_comparison.channel_files(ours)
    found = picture_comparison.picture_floor(channels, SIZE[0] * SIZE[1], product, 3_000_000)
    assert found.warm_s > 0
    assert found.cold_s > 0
    assert not product.exists()


def usage(**changes) -> meter.Usage:
    """Some usage."""
    kinds = ("scratch", "masters", "channels", "pictures", "field")
    files = {kind: (k + 1) * MB for k, kind in enumerate(kinds)}
    facts = {"wall_s": 2.0, "cpu_s": 3.0, "private_bytes": 100 * MB, "anonymous_bytes": 90 * MB}
    return meter.Usage(**(facts | {"look_s": 0.05, "file_bytes": files} | changes))


def outcome(**changes) -> picture_tables.PictureOutcome:
    """An outcome with known figures."""
    steps = {"integrate": comparison.StepCost(3, 1.5, 1.2, 700.0)}
    drawing = {
        "draw_picture": comparison.StepCost(1, 1.0, 0.75, 400.0),
        "measure_depth": comparison.StepCost(1, 1.0, 0.25, 300.0),
    }
    runs = picture_comparison.PictureRuns(
        [picture_comparison.PartRun(usage(cpu_s=9.0), steps | drawing)],
        [picture_comparison.PartRun(usage(cpu_s=cpu_s), drawing) for cpu_s in (3.0, 2.0, 8.0)],
        [picture_comparison.PartRun(usage(wall_s=8.0, cpu_s=6.0))],
        comparison.Floor(0.1, 0.4),
    )
    raw = tables.RawSet(12, 40, 576, 432, 10 * MB, 1.0)
    facts = {"raw": raw, "processors": 2, "loads": (0.5, 2.5), "target": "picture", "runs": runs}
    return picture_tables.PictureOutcome(**(facts | changes))


def test_ratios_are_of_the_part_that_both_do():
    """The chain's medians stand over those of our command from channels, steps stand beside."""
    found = picture_tables.as_json(outcome())
    part = found["from_channels"]
    assert part["platelog"]["cpu_s"] == 3.0
    assert part["platelog"]["steps_cpu_s"] == 1.0
    assert part["platelog"]["alike_cpu_s"] == 0.75  # the chain measures no depth
    assert part["ratios"]["cpu_s"] == 2.0
    assert part["ratios"]["wall_s"] == 4.0
    assert part["floor"]["times_warm"] == pytest.approx(20.0)
    assert found["whole"]["cpu_s"] == 9.0
    assert found["whole"]["steps_cpu_s"] == pytest.approx(2.2)
    assert found["whole"]["steps"]["integrate"]["peak_mb"] == 700.0
    assert json.loads(json.dumps(found))["growth"] == []


def test_text_shows_both_commands_and_their_steps():
    """There are a table of steps for the whole command and one for the part, and the comparison."""
    lines = [line.split() for line in picture_tables.as_text(outcome()).splitlines()]
    assert ["integrate", "3", "1.50", "1.20", "13%", "700"] in lines
    assert ["draw_picture", "1", "1.00", "0.75", "8%", "400"] in lines
    assert ["draw_picture", "1", "1.00", "0.75", "25%", "400"] in lines
    assert ["processor", "time", "6.0", "s", "3.0", "s", "[2.0-8.0]", "2.0"] in lines
    assert ["of", "which", "steps", "1.0", "s", "[1.0-1.0]"] in lines
    assert ["of", "which", "steps", "2.2", "s"] in lines
    assert ["steps", "of", "both", "0.8", "s", "[0.8-0.8]"] in lines


@pytest.mark.parametrize(("target", "rows"), [("picture", 1), ("all", 2)])
def test_bytes_of_the_field_are_compared_where_both_make_it(target, rows):
    """The row of sources stands with the whole command, and beside the chain's only for all."""
    lines = picture_tables.as_text(outcome(target=target)).splitlines()
    assert sum(line.startswith("sources, annotations") for line in lines) == rows


def test_text_without_the_chain_has_no_ratio():
    """Without the chain there is one column, and no figure of it in the JSON."""
    bare = outcome(runs=replace(outcome().runs, chain=[]))
    heads = [line.split() for line in picture_tables.as_text(bare).splitlines()]
    assert ["platelog"] in heads
    assert ["libraries", "platelog", "ratio"] not in heads
    assert picture_tables.as_json(bare)["from_channels"]["libraries"] is None


def grown(cpu_s: list[float]) -> list[picture_comparison.SizeStep]:
    """Runs at 4, 16 and 60 Mpx in which drawing takes so long; one slow run of three counts not."""
    found = []
    for (width, height), seconds in zip(
        ((2000, 2000), (4000, 4000), (10_000, 6000)), cpu_s, strict=True
    ):
        costs = [
            {"draw_picture": comparison.StepCost(1, 1.0, factor * seconds, 100.0)}
            for factor in (1, 7, 1)
        ]
        runs = [picture_comparison.PartRun(usage(), cost) for cost in costs]
        found.append(picture_comparison.SizeStep(width, height, runs))
    return found


def test_growth_on_a_straight_line_has_no_deviation():
    """Fixed time and time a megapixel are found, and nothing is off the line."""
    row, whole = picture_tables.growth_rows(grown([0.5 + 0.1 * mpx for mpx in (4, 16, 60)]))
    assert (row["step"], row["mpx"]) == ("draw_picture", [4.0, 16.0, 60.0])
    assert row["cpu_s"] == pytest.approx([0.9, 2.1, 6.5])
    assert row["cpu_s_per_mpx"][2] == pytest.approx(6.5 / 60)
    assert (row["fixed_s"], row["s_per_mpx"]) == (pytest.approx(0.5), pytest.approx(0.1))
    assert row["deviation"] == pytest.approx(0.0, abs=1e-9)
    assert row["peak_mb"] == [100.0] * 3
    assert whole["step"] == "whole command"


def test_growth_with_the_square_lies_below_the_line():
    """At 16 of 4 and 60 Mpx, a square is far below the line through its ends."""
    row = picture_tables.growth_rows(grown([0.01 * mpx**2 for mpx in (4, 16, 60)]))[0]
    line = 0.16 + (36 - 0.16) * 12 / 56
    assert row["deviation"] == pytest.approx(2.56 / line - 1)
    text = picture_tables.as_text(outcome(growth=grown([0.01 * mpx**2 for mpx in (4, 16, 60)])))
    last = next(line.split() for line in text.splitlines() if line.split()[1:2] == ["0.16"])
    assert last[-1] == f"{2.56 / line - 1:+.0%}"


def test_growth_of_short_steps_is_not_judged():
    """Times near those of a start alone say nothing about growth."""
    assert picture_tables.growth_rows(grown([0.02, 0.01, 0.05]))[0]["deviation"] is None


@pytest.mark.parametrize(
    ("to", "subs", "expected"),
    [
        (None, None, (40, 4)),
        (None, 10, (10, 4)),
        ("channels", None, (40, None)),
        ("picture", None, (None, 4)),
        ("all", 6, (None, 6)),
    ],
)
def test_subs_are_of_the_part_that_is_asked_for(to, subs, expected):
    """Without --to both parts are measured, and --subs is the number of the first."""
    assert subs_of_parts(to, subs) == expected


def test_disk_must_hold_the_largest_frames(tmp_path, monkeypatch):
    """With growth the set of 61 megapixels counts; what does not fit is refused beforehand."""
    options = parts.Options((576, 432), 1, True, False, False)
    usual, grown_bytes = (
        parts.picture_bytes(4, replace(options, growth=growth)) for growth in (False, True)
    )
    assert usual < 100 * MB
    assert grown_bytes > (12 + 8 + 8 + 24) * 2 * 9576 * 6388
    free = parts.shutil.disk_usage(tmp_path)._replace(free=grown_bytes)
    monkeypatch.setattr(parts.shutil, "disk_usage", lambda folder: free)
    parts.check_disk(tmp_path, [usual], False)
    with pytest.raises(UserError, match=r"GB are needed and .* choose a larger disk"):
        parts.check_disk(tmp_path, [usual, grown_bytes], False)
