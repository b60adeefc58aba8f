"""A product of a real run, alone with the raw frames: traced, looked into, made again, compared."""

import json
import re
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest
from astropy.io import fits
from prov.model import ProvDocument, ProvEntity

PYTHON = [sys.executable, "-P", "-m", "platecli"]
DIFFERS = 6


@dataclass(frozen=True)
class Orphans:
    """Products that are left of a run, without anything else of it."""

    cube: Path
    channel: Path
    raw: Path


@pytest.fixture
def orphans(home, tmp_path):
    """The linear image and a channel under other names; the raw folder moved, the rest deleted."""
    kept = tmp_path / "kept"
    kept.mkdir()
    cube = home.results / "picture/ha-in-red.fits"
    left = Orphans(kept / "old picture.fits", kept / "blue.fits", tmp_path / "attic" / "raw")
    shutil.copyfile(cube, left.cube)
    shutil.copyfile(home.results / "channels/b.fits", left.channel)
    shutil.copytree(home.raw, left.raw)
    shutil.rmtree(home.folder)
    return left


@pytest.fixture
def verb(command_line):
    """Return a way to run a verb and get what it says."""
    return lambda *words, expected=0: command_line.said([*PYTHON, *map(str, words)], expected)


def test_a_picture_is_made_again_from_raw_frames_alone(orphans, verb, tmp_path, digests):
    """On one core and on two: the same bytes as in the run, told with their digests."""
    before = {folder: digests(folder) for folder in (orphans.cube.parent, orphans.raw)}
    wanted = before[orphans.cube.parent]["old picture.fits"]
    made = []
    for cores in (1, 2):
        folder = tmp_path / f"again {cores}"
        words = ("--into", folder, "--raw", orphans.raw.parent, "--cores", cores)
        said = verb("replay", orphans.cube, *words)
        assert said.splitlines()[-1] == "identical"
        assert said.count(wanted) == 2
        assert "70 of 70 found" in said
        made.append({n: d for n, d in digests(folder).items() if not n.startswith("logs/")})
    assert made[0] == made[1]
    assert made[0]["picture/ha-in-red.fits"] == wanted
    assert {folder: digests(folder) for folder in before} == before


@pytest.mark.parametrize("ending", ["png", "tif", "jpg"])
def test_a_finished_picture_is_made_again(home, verb, tmp_path, ending):
    """A picture leads to its cube beside it, and is drawn again to the last byte."""
    picture = home.results / "picture" / f"ha-in-red.{ending}"
    said = verb("replay", picture, "--into", tmp_path / "again", "--raw", home.raw, "--cores", 2)
    assert said.splitlines()[-1] == "identical"
    made = tmp_path / "again/picture" / picture.name
    assert made.read_bytes() == picture.read_bytes()
    told = json.loads(verb("trace", picture, "--json"))
    steps = [making["step"] for making in told["makings"][-3:]]
    assert steps == ["map_channels", "draw_picture", "encode_picture"]


@pytest.mark.parametrize("ending", ["png", "svg"])
def test_a_drawing_is_made_again(complete, verb, tmp_path, ending):
    """The annotated picture, or the drawing alone, is made again from raw frames."""
    drawing = complete.results / "field" / f"annotated.{ending}"
    words = ("--into", tmp_path / "again", "--raw", complete.raw, "--cores", 2)
    said = verb("replay", drawing, *words)
    assert said.splitlines()[-1] == "identical", said
    told = json.loads(verb("trace", drawing, "--json"))
    assert told["product"] == f"field/annotated.{ending}"
    steps = {making["step"] for making in told["makings"]}
    assert {"integrate", "draw_picture", "solve_astrometry", "identify_sources"} <= steps


def test_every_kind_of_product_is_made_again(make_home, tiny_raw, verb, tmp_path):
    """Stored subs, cosmic rays of single subs, tables, a channel and what is made of one."""
    home = make_home(
        tmp_path / "home",
        channels={"g": {"filters": ["G"]}},
        recipe="single-channel",
        keep_subs=["calibrated", "registered"],
        overrides={"integration": {"single_frame_cosmic_rays": "always"}},
        exclude=["2026-03-24/*"],
    )
    shutil.copytree(tiny_raw, home.raw, dirs_exist_ok=True)
    home.run("--to", "all", "--cores", "2")
    kinds = ("calibrated/g", "registered/g", "cosmic_rays/g", "measures/g", "registration")
    for kind in (*kinds, "channels", "picture"):
        product = sorted((home.results / kind).glob("*.fits"))[0]
        said = verb("replay", product, "--into", tmp_path / kind, "--cores", 2)
        assert said.splitlines()[-1] == "identical", said


def test_what_differs_is_named_with_its_size(orphans, verb, tmp_path):
    """A changed and a missing frame are told, and by how much each plane is another."""
    changed = orphans.raw / "2026-03-24/g-02.fits"
    content = bytearray(changed.read_bytes())
    content[-20_000] ^= 0x10
    changed.chmod(0o644)
    changed.write_bytes(content)
    (orphans.raw / "2026-03-23/ha-02.fits").unlink()
    words = ("--into", tmp_path / "again", "--raw", orphans.raw)
    said = verb("replay", orphans.cube, *words, expected=DIFFERS)
    assert "68 of 70 found" in said
    assert re.search(r"raw frame 2026-03-24/g-02.fits +[0-9a-f]{16} +changed", said)
    assert re.search(r"raw frame 2026-03-23/ha-02.fits +[0-9a-f]{16} +missing", said)
    assert re.search(r"SCI red +\d+ of 76800 \(\d+(\.\d+)? %\) +\S+ +\S+", said)


def test_a_file_that_was_changed_is_found_out(orphans, verb, tmp_path):
    """One pixel of one plane is named, and that nothing else is to blame."""
    with fits.open(orphans.channel, mode="update", checksum=False) as hdus:
        hdus["SCI"].data[79, 99] += 1
    words = ("--into", tmp_path / "again", "--raw", orphans.raw)
    said = verb("replay", orphans.channel, *words, expected=DIFFERS)
    assert "code, libraries and raw frames are as recorded" in said
    assert re.search(r"all \d+ intermediate products are as recorded", said)
    assert re.search(r"SCI +1 of 76800 \(0.001302 %\) +1 ", said)
    words = ("--pixel", 100, 80, "--raw", orphans.raw)
    said = verb("trace", orphans.channel, *words, expected=1)
    assert "is damaged: the data of SCI are not those that were written" in said


def test_commands_that_cannot_be_followed_end_in_a_sentence(orphans, verb, tmp_path):
    """A folder with something in it, no raw frames, and a file without a record."""
    said = verb("replay", orphans.cube, "--into", orphans.raw, "--raw", orphans.raw, expected=1)
    assert said.strip().endswith("is not empty; name a new or an empty folder")
    said = verb("replay", orphans.cube, "--into", tmp_path / "new", expected=1)
    assert "none of the 70 raw frames" in said
    assert "--raw" in said
    frame = next(orphans.raw.glob("*/b-01.fits"))
    assert len(verb("trace", frame, expected=1).splitlines()) == 1
    assert verb("trace", tmp_path / "nowhere.fits", expected=2).count("\n") == 1


def test_a_picture_tells_how_it_came_to_be(orphans, verb):
    """The cube alone names each product, each night with states and weights, and each frame."""
    said = verb("trace", orphans.cube)
    assert "from 24 light, 6 bias, 10 dark, 30 flat frames" in said
    assert re.search(r"2026-03-23: 3 used, weight 0\.\d+ to 1; 1 elongated \(ellipticity", said)
    assert "settings: mapping.blue.b 1, mapping.green.g 1" in said
    told = json.loads(verb("trace", orphans.cube, "--json"))
    assert len(told["raw_frames"]) == 70
    assert len(told["subs"]) == 24
    assert told["product"] == told["makings"][-1]["product"] == "picture/ha-in-red.fits"
    # In two nights, each in its measures and in the channel.
    assert verb("trace", orphans.cube, "--all").count("/ha-03.fits") == 4


def test_a_picture_is_told_as_prov_json(orphans, verb, tmp_path):
    """A reader of the standard finds each raw frame; a file that is there stays as it is."""
    path = tmp_path / "picture.json"
    verb("trace", orphans.cube, "--prov", path)
    document = ProvDocument.deserialize(path)
    labels = {
        str(label)
        for one in document.get_records(ProvEntity)
        for label in one.get_attribute("prov:label")
    }
    assert labels >= {"picture/ha-in-red.fits", "2026-03-23/b-03.fits", "calibration/bias-01.fits"}
    before = path.read_bytes()
    said = verb("trace", orphans.cube, "--prov", path, expected=1)
    assert said.strip().endswith("File exists; name a new file")
    assert path.read_bytes() == before


def test_a_sub_that_was_left_out_is_explained_by_the_picture_alone(orphans, verb):
    """The reason stands in the cube; a sub that is used is told with its weight."""
    assert verb("trace", orphans.cube, "--why-not", "2026-03-23/b-03") == (
        "2026-03-23/b-03.fits is not in channel b: elongated: "
        "ellipticity 0.76, limit 0.45 (quality.max_ellipticity).\n"
    )
    assert "is in channel ha with weight" in verb("trace", orphans.cube, "--why-not", "ha-04")
    assert "has 'nothing-like-it' in" in verb(
        "trace", orphans.cube, "--why-not", "nothing-like-it", expected=1
    )


def test_a_pixel_is_taken_apart_with_nothing_but_raw_frames(orphans, verb):
    """Masters and registration are made again, and the pixel is the product's to the last bit."""
    said = verb("trace", orphans.channel, "--pixel", 100, 80, "--raw", orphans.raw)
    assert "not used: elongated" in said
    assert said.splitlines()[-1].endswith("to the pixel of the product")
    told = json.loads(
        verb("trace", orphans.channel, "--pixel", 100, 80, "--raw", orphans.raw, "--json")
    )
    assert told["same"] is True
    assert len(told["samples"]) == 8
    said = verb("trace", orphans.cube, "--pixel", 1, 1, "--raw", orphans.raw, expected=1)
    assert "name one of its channels: channels/" in said


def test_two_versions_are_compared(finished, home, verb, tmp_path):
    """What was changed between two runs is named, with its effect on the pixels."""
    old = home.results / "channels/g.fits"
    before = shutil.copyfile(old, tmp_path / "before.fits")
    home.change_project(
        overrides={"integration": {"clip": "mad"}}, exclude=["2026-03-24/g-03.fits"]
    )
    home.run("--to", "channels", "--cores", "2")
    sheet = tmp_path / "compared.png"
    said = verb("compare", before, old, "--into", sheet)
    assert "subs: 1 only in A (used): 2026-03-24/g-03.fits" in said
    assert re.search(r"integrate: integration.clip +noise +mad", said)
    assert "code and software: the same" in said
    assert re.search(r"SCI .* sigma of A", said)
    assert sheet.read_bytes().startswith(b"\x89PNG")
    said = verb("compare", before, old, "--into", sheet, expected=1)
    assert said.strip().endswith("name a new file that ends with .png")
    other = finished[0].results / "channels/g.fits"
    assert "settings: the same" in verb("compare", before, other)
    said = verb("compare", before, home.results / "picture/ha-in-red.fits", expected=1)
    assert "cannot be compared: they have 320 x 240 and 320 x 240 x 3 pixels; name two" in said
