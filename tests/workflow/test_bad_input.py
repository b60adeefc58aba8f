import csv
import os
import shutil

import numpy as np
import pytest
from astropy.io import fits

ODD_NAME = os.fsdecode(b"g 'x\" $(touch x) {a} \xff \xc3\xa9.fits")
GREEN = {"g": {"filters": ["G"]}}
NIGHT = "2026-03-23"


def _sentences(said):
    """Lines of what was said, after checking that no traceback is among them."""
    assert "Traceback" not in said
    assert "Error in" not in said
    return [line for line in said.splitlines() if line]


def _take(home, tiny_raw, *patterns):
    """Copy raw frames into a home."""
    for pattern in patterns:
        for path in sorted(tiny_raw.glob(pattern)):
            place = home.raw / path.relative_to(tiny_raw)
            place.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, place)


def _noise(path, name, level=600, shape=(240, 320), **cards):
    """Write a light without stars."""
    pixels = np.random.default_rng(len(name)).normal(level, 10 if level else 0, shape)
    header = fits.Header({"IMAGETYP": "Light", "EXPTIME": 60.0, "FILTER": "G", **cards})
    header["DATE-OBS"] = f"2026-03-23T23:0{len(list(path.glob('*')))}:00"
    path.mkdir(exist_ok=True)
    fits.writeto(path / name, pixels.astype(np.uint16), header)


@pytest.fixture
def green_home(make_home, tmp_path):
    """A home with a project of the green channel alone."""

    def make(**keys):
        keys = {"recipe": "single-channel", "channels": GREEN, **keys}
        return make_home(tmp_path / "home", **keys)

    return make


def test_no_such_raw_folder(green_home):
    """A raw folder that is not there is named with file and line."""
    home = green_home()
    home.raw.rmdir()
    (line,) = _sentences(home.run(expected=1))
    assert line == f"{home.project}:3: raw: no such folder: {home.raw}"
    assert home.other_files() == {"projects/tiny.yaml"}


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("titel: X\n", "titel: unknown setting - did you mean 'title'?"),
        ("overrides: {integration: {clip_hihg: 3}}\n", "did you mean 'clip_high'?"),
        ("exclude: [a\n", "tiny.yaml:"),
    ],
)
def test_slips_in_the_project_file(green_home, text, wanted):
    """A typing error in the project file is told with its line, and nothing is begun."""
    home = green_home()
    home.project.write_text(home.project.read_text() + text)
    lines = _sentences(home.run(expected=1))
    assert any(wanted in line for line in lines)
    assert all(line.startswith(f"{home.project}:") for line in lines)
    assert not home.results.exists()


def test_lights_without_matching_dark(green_home, tiny_raw):
    """Darks that do not fit are told with the nearest miss and the ways out."""
    home = green_home()
    _take(home, tiny_raw, f"{NIGHT}/g-*.fits", "calibration/bias-*.fits")
    _take(home, tiny_raw, "calibration/dark-600s-*.fits")
    (line,) = _sentences(home.run("--to", "channels", expected=1))
    assert line.startswith("4 lights of channel 'g' (180 s, gain 120, -10 C; first: ")
    assert "the nearest is 600 s at -10 C, 420 s too long" in line
    assert "`channels: g: dark: none`" in line
    assert len(home.other_files()) == 1 + 4 + 6 + 5


@pytest.mark.parametrize(
    ("level", "wanted"),
    [
        (600, "none of its 4 lights can be used (4 without stars)"),
        (0, "none of its 4 lights can be used (4 unreadable)"),
    ],
)
def test_lights_without_stars_or_light(green_home, level, wanted):
    """A project in which no light shows stars ends with a sentence that counts what there is."""
    home = green_home()
    for number in range(4):
        _noise(home.raw, f"{'n' * (number + 1)}.fits", level)
    lines = _sentences(home.run("--to", "channels", expected=1))
    assert any("FAILED: choose reference" in line and wanted in line for line in lines)
    assert not home.lock.exists()
    assert not list(home.results.glob("registration/*"))


def test_every_light_cut_short(green_home, tiny_raw):
    """If every light is cut short the run does not begin, and says what is missing."""
    home = green_home()
    _take(home, tiny_raw, f"{NIGHT}/g-*.fits")
    for path in home.raw.rglob("*.fits"):
        os.truncate(path, 50_000)
        os.utime(path, (1e9, 1e9))
    (line,) = _sentences(home.run("--to", "channels", expected=1))
    assert "channels.g: no usable light" in line


@pytest.fixture(scope="module")
def odd(make_home, tiny_raw, tmp_path_factory):
    """A home of odd raw files, after its run, with what was said and the digests of before."""
    home = make_home(
        tmp_path_factory.mktemp("odd") / "home",
        recipe="single-channel",
        channels={"g": {"filters": ["../../x"]}},
        header_fixes={f"{NIGHT}/*": {"FILTER": "../../x"}},
    )
    _take(home, tiny_raw, f"{NIGHT}/g-*.fits", "calibration/bias-*.fits")
    _take(home, tiny_raw, "calibration/dark-180s-*.fits", f"{NIGHT}/flat-g-*.fits")
    night = home.raw / NIGHT
    (night / "g-01.fits").rename(night / ODD_NAME)
    (night / "text.fits").write_text("not a frame\n")
    shutil.copyfile(night / "g-02.fits", night / "cut.fits")
    os.truncate(night / "cut.fits", 60_000)
    (night / "empty.fits").touch()
    size = {"INSTRUME": "Heronmere M15", "GAIN": 120, "OFFSET": 50, "CCD-TEMP": -10.0}
    _noise(night, "small.fits", shape=(100, 120), **size)
    fits.setval(night / "small.fits", "EXPTIME", value=180.0)
    shutil.copyfile(night / "g-02.fits", home.raw / "strange.fits")
    fits.setval(home.raw / "strange.fits", "FILTER", value="../../../y")
    for path in home.raw.rglob("*"):
        os.utime(path, (1e9, 1e9))  # half a file of the last minute might be one in the making
    before = {path: path.read_bytes() for path in home.raw.rglob("*") if path.is_file()}
    return home, home.run("--to", "all"), before


def _rows(home):
    with open(home.results / "subs.tsv", encoding="utf-8", newline="") as stream:
        rows = csv.DictReader(stream, delimiter="\t", quoting=csv.QUOTE_NONE)
        return {row["name"]: (row["state"], row["reason"]) for row in rows}


def test_odd_files_are_left_out_and_the_run_succeeds(odd):
    """Text, a cut file, an empty one, another size and an unknown filter: out, with a reason."""
    home, said, _ = odd
    rows = _rows(home)
    _sentences(said)
    assert rows[f"{NIGHT}/text.fits"] == ("unused", "is not a FITS file")
    assert rows[f"{NIGHT}/cut.fits"][1].startswith("is cut short: 60000 bytes of ")
    assert rows[f"{NIGHT}/empty.fits"][1] == "is empty (0 bytes)"
    assert rows[f"{NIGHT}/small.fits"][1] == "is 120x100 px where the other lights are 320x240"
    assert rows["strange.fits"][1].startswith("FILTER = '../../../y' is in no channel of tiny.yaml")
    used = [name for name, (state, _) in rows.items() if state == "used"]
    assert len(used) == 4


def test_odd_names_are_used_like_any_other(odd):
    """Blanks, quotes, shell words, braces and bytes that are no UTF-8 in a name do no harm."""
    home, _, _ = odd
    (name,) = (name for name, (state, _) in _rows(home).items() if "touch" in name)
    assert name == f"{NIGHT}/g 'x\" $(touch x) {{a}} \\udcff \u00e9.fits"
    assert _rows(home)[name][0] == "used"
    with fits.open(home.results / "channels" / "g.fits") as hdus:
        assert hdus[0].header["NCOMBINE"] == 4


def test_odd_filter_stays_a_value(odd):
    """A FILTER with dots and slashes makes no path."""
    home, _, _ = odd
    assert (home.results / "channels" / "g.fits").is_file()
    assert [path.name for path in home.folder.parent.iterdir()] == ["home"]
    names = {path.name for path in home.folder.iterdir()}
    assert names == {"raw", "projects", "results", ".snakemake"}


def test_odd_files_are_all_still_there(odd):
    """No raw file was changed, added or lost, and no stray file lies about."""
    home, _, before = odd
    assert {p: p.read_bytes() for p in home.raw.rglob("*") if p.is_file()} == before
    mine = {path.relative_to(home.folder).as_posix() for path in before}
    assert home.other_files() == mine | {"projects/tiny.yaml", "projects/tiny.lock.yaml"}
    assert not [path for path in home.folder.rglob("*") if path.name in ("x", "y")]


def test_odd_files_make_nothing_anew(odd):
    """A second run finds nothing to do."""
    home, _, _ = odd
    assert home.to_do() == []


def test_results_that_cannot_be_written(green_home, tiny_raw):
    """Where the list of frames cannot be written the run ends with a sentence."""
    home = green_home()
    _take(home, tiny_raw, f"{NIGHT}/g-*.fits")
    (home.results / "frames.tsv").mkdir(parents=True)
    (line,) = _sentences(home.run("--to", "all", expected=1))
    assert line == "results/tiny/frames.tsv: Is a directory; correct it and run again"
