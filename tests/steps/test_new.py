import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from steps.drafts import draft_project, survey_folders

from platecli.drafting.draft import draft_text, duration, quoted
from platecli.drafting.draft_summary import summary
from platecli.drafting.filter_channels import name_channels
from platecli.drafting.recipe_choice import recipe_for
from platefiles.config.cross_checks import check_against_sheet
from platefiles.config.load import load_project
from platefiles.config.yaml_file import read_yaml
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import scan_folders


@pytest.fixture
def bench(drafting):
    """Give an empty bench, with its checkout as the working directory."""
    return drafting


def without_comment_signs(text):
    """Take the '# ' off the lines that a draft offers as ready to use."""
    ready = re.compile(r"^( *)# ( *(?!bias|dark|flat|undated)(?:[a-z][\w.]*|\"[^\"]*\"):(?: .*)?)$")
    return "\n".join(ready.sub(r"\1\2", line) for line in text.splitlines()) + "\n"


def test_draft_of_a_whole_set(bench):
    """A night with all that is needed gives channels, totals, nights, calibration, a recipe."""
    camera = {"INSTRUME": "Wren 6", "GAIN": 100, "CCD_TEMP": -10.0}
    bench.lights(["Ha"], 600.0, 3, OBJECT="Thistle: A", **camera)
    bench.lights(["Ha"], 600.0, 2, "2026-02-05", OBJECT="Thistle: A", **camera)
    bench.lights(["G", "B"], 180.0, 2, **camera)
    for number in range(3):
        bench.frame(f"bias{number}.fits", IMAGETYP="bias", EXPTIME=0.0, **camera)
        for exposure in (180.0, 600.0):
            name = f"dark{exposure:.0f}_{number}.fits"
            bench.frame(name, IMAGETYP="dark", EXPTIME=exposure, **camera)
        for value in ("Ha", "G", "B"):
            bench.frame(
                f"flat{value}{number}.fits",
                IMAGETYP="flat",
                EXPTIME=2.0,
                FILTER=value,
                DATE_OBS="2026-02-03T18:00:00",
                **camera,
            )
    text, loaded = bench.draft()
    assert loaded.project.title == "Thistle: A"
    assert loaded.recipe_name == "ha-in-red"
    assert loaded.project.raw == ["../../../frames"]
    assert {name: c.filters for name, c in loaded.project.channels.items()} == {
        "b": ["B"],
        "g": ["G"],
        "ha": ["Ha"],
    }
    assert loaded.project.channels["ha"].wavelength_nm == 656.3
    assert "# Lights: 5, together 50 min." in text
    assert "#   2026-02-03: 3 x 600 s\n    #   2026-02-05: 2 x 600 s" in text
    assert "# Flats: 3 (2026-02-03)." in text
    assert "#   bias: 3 x 0 s at -10 degrees C" in text
    assert "#   dark: 3 x 180 s at -10 degrees C\n#   dark: 3 x 600 s at -10 degrees C" in text
    assert "overrides" not in text
    assert "Left out" not in text


def test_draft_is_what_the_frame_sheet_makes_of_it(bench):
    """Every light of a draft has a channel once the draft is loaded."""
    bench.lights(["H-alpha", "O3", "HA 3nm", "Quad Band", "2"])
    _, loaded = bench.draft()
    frames = build_frame_list(scan_folders(loaded.raw_folders, None, False), loaded)
    assert check_against_sheet(loaded, frames) == []
    assert [frame.role for frame in frames] == ["light"] * 10


def test_missing_calibration_frames_are_told(bench):
    """A draft says which kinds of calibration frames are missing."""
    bench.lights(["G"])
    text, _ = bench.draft()
    assert "#   bias: none\n#   dark: none\n#   flat: none" in text
    assert "# Note: " in text


def test_darks_that_do_not_fit_are_told(bench):
    """A draft says beforehand what a run would stop at."""
    bench.lights(["G"], 180.0)
    bench.frame("dark.fits", IMAGETYP="dark", EXPTIME=30.0)
    text, _ = bench.draft()
    notes = text[text.index("# Note: ") :]
    assert "dark" in notes
    assert "180" in notes


def test_no_filter_gives_an_open_channel(bench):
    """Lights without FILTER make a channel called open."""
    bench.lights([""])
    text, loaded = bench.draft()
    assert loaded.project.channels["open"].filters == ["open"]
    assert loaded.recipe_name == "single-channel"
    assert "wavelength_nm" not in text


def test_frames_that_say_nothing_are_taken_for_lights(bench):
    """Where no header says what a frame is, a header fix says that all are lights."""
    bench.frame("one.fits", EXPTIME=10.0)
    bench.frame("two.fits", EXPTIME=10.0)
    _, loaded = bench.draft()
    assert loaded.project.header_fixes == {"*": {"IMAGETYP": "light"}}
    frames = build_frame_list(scan_folders(loaded.raw_folders, None, False), loaded)
    assert [frame.role for frame in frames] == ["light", "light"]


def test_narrowband_gets_a_mapping_by_wavelength(bench):
    """Channels that no recipe knows are mapped in the order of their wavelengths."""
    bench.lights(["OIII", "SII", "Ha"])
    text, loaded = bench.draft()
    assert loaded.recipe.mapping.rows == {
        "red": {"sii": 1},
        "green": {"ha": 1},
        "blue": {"oiii": 1},
    }
    assert "# A suggestion" in text


@pytest.mark.parametrize(
    ("channels", "recipe", "rows"),
    [
        (["lum"], "single-channel", {}),
        (["open"], "single-channel", {}),
        (["ha", "lum"], "single-channel", {}),
        (["b", "g", "r"], "broadband-rgb", {}),
        (["b", "g", "lum", "r"], "broadband-rgb", {"luminance": "lum"}),
        (["b", "g", "ha"], "ha-in-red", {}),
        (["b", "g", "ha", "r"], "broadband-rgb", {}),
        (
            ["ha", "oiii"],
            "single-channel",
            {"red": "ha", "green": "oiii", "blue": "oiii", "luminance": None},
        ),
        (
            ["g", "i", "r"],
            "single-channel",
            {"red": "i", "green": "r", "blue": "g", "luminance": None},
        ),
    ],
)
def test_recipe_by_channels(channels, recipe, rows):
    """The recipe follows from the channels, with rows for what it does not know."""
    assert recipe_for(channels) == (recipe, rows)


def test_channels_are_named_after_filters():
    """Spellings of one filter share a channel, which is called after it."""
    assert name_channels(["Ha", "H-alpha", "R", "", "../../x", "Ünusual"]) == {
        "ha": ("H-alpha", "Ha"),
        "nusual": ("Ünusual",),
        "open": ("open",),
        "r": ("R",),
        "x": ("../../x",),
    }
    assert name_channels(["G", "g"]) == {"g": ("g",), "green": ("G",)}
    assert name_channels(["é", "ö"]) == {"filter": ("é",), "filter2": ("ö",)}


def test_calibrated_frames_are_noticed(bench):
    """Lights in a unit of light with nothing to calibrate them are taken as calibrated."""
    data = np.ones((6, 8), dtype=np.float32)
    bench.frame("l1.fits", data, IMAGETYP="light", EXPTIME=5.0, FILTER="G", BUNIT="nanomaggy")
    text, loaded = bench.draft()
    assert loaded.project.calibrated is True
    assert "nanomaggy" in text
    assert "flat" not in text


def test_calibrated_frames_without_an_exposure_make_a_project(bench, capsys):
    """Without EXPTIME and IMAGETYP they are lights of unknown exposure, which `check` accepts."""
    data = np.ones((6, 8), dtype=np.float32)
    bench.frame("l1.fits", data, FILTER="G", BUNIT="nanomaggy")
    text, loaded = bench.draft()
    assert loaded.project.calibrated is True
    assert "1 of unknown exposure" in text
    assert bench.check(capsys) == (0, "")


@pytest.mark.parametrize(("dtype", "unit"), [("float32", "adu"), ("float32", ""), ("int16", "Jy")])
def test_raw_frames_are_not_called_calibrated(bench, dtype, unit):
    """Counts, no unit, or whole numbers are raw data."""
    data = np.ones((6, 8), dtype=dtype)
    bench.frame("l1.fits", data, IMAGETYP="light", EXPTIME=5.0, FILTER="G", BUNIT=unit)
    assert bench.draft()[1].project.calibrated is False


def test_filters_in_file_names_are_offered(bench):
    """Names that tell other filters than FILTER give lines that are ready to use."""
    for letter in "gri":
        bench.frame(f"field_{letter}.fits", EXPTIME="53.9", FILTER="g", IMAGETYP="light")
    text, loaded = bench.draft()
    assert list(loaded.project.channels) == ["g"]
    path = bench.projects / "field2.yaml"
    path.write_text(without_comment_signs(text), encoding="utf-8")
    ready = load_project(path, bench.projects)
    assert ready.project.header_fixes == {
        "field_i.fits": {"FILTER": "i"},
        "field_r.fits": {"FILTER": "r"},
    }
    assert ready.recipe.mapping.rows == {"red": {"i": 1}, "green": {"r": 1}, "blue": {"g": 1}}
    frames = build_frame_list(scan_folders(ready.raw_folders, None, False), ready)
    assert sorted((frame.name, frame.channel) for frame in frames) == [
        ("field_g.fits", "g"),
        ("field_i.fits", "i"),
        ("field_r.fits", "r"),
    ]


def test_names_that_agree_with_filter_are_left_alone(bench):
    """No fix is offered where file names and FILTER say the same."""
    for value in ("R", "G"):
        bench.frame(f"field_{value}_1.fits", EXPTIME=5.0, FILTER=value, IMAGETYP="light")
    assert "header_fixes" not in bench.draft()[0]


def test_odd_frames_are_listed_with_reasons(bench):
    """A text file named .fits and a cut file are told as left out."""
    bench.lights(["G"])
    (bench.raw / "note.fits").write_text("hello")
    text, _ = bench.draft()
    assert "# Left out, 1 of 3:\n#   note.fits: is not a FITS file" in text


def test_odd_names_cannot_break_the_file(bench):
    """File names, targets and filters with any character give a file that still loads."""
    odd = "a 'b' \"c\" $(touch x) {d} # : é.fits"
    bench.frame(odd, IMAGETYP="light", EXPTIME=1.0, FILTER="yes", OBJECT="null: [x] # 'y'")
    bench.frame(b"\xff\xfe.fits".decode("utf-8", "surrogateescape"), IMAGETYP="odd kind")
    text, loaded = bench.draft()
    assert loaded.project.title == "null: [x] # 'y'"
    assert loaded.project.channels["yes"].filters == ["yes"]
    assert r"\udcff\udcfe.fits" in text


def test_odd_raw_folders_are_quoted(bench, tmp_path):
    """A raw folder with blanks, quotes and signs is found again."""
    bench.raw = tmp_path / "a: 'b' \"c\" #é [x]"
    bench.lights(["G"])
    _, loaded = bench.draft()
    assert loaded.raw_folders == (bench.raw,)


def test_far_raw_folders_are_absolute(bench, tmp_path):
    """A raw folder far from the checkout is written as an absolute path."""
    bench.projects = tmp_path / "deep" / "checkout" / "config" / "projects"
    bench.lights(["G"])
    assert bench.draft()[1].project.raw == [str(bench.raw)]


@pytest.mark.parametrize(
    "text", ["yes", "1e3", "12:30", "a#b", "x: y", "- a", "", " a", "*", "é", "a\nb"]
)
def test_quoted_text_is_read_back(tmp_path, text):
    """Any text comes back from YAML as it was."""
    path = tmp_path / "a.yaml"
    path.write_text(f"k: {quoted(text)}\nl: [{quoted(text)}]\n", encoding="utf-8")
    assert read_yaml(path).data == {"k": text, "l": [text]}


def test_frames_of_a_colour_camera_are_no_project(bench):
    """The sentence says what they are and what can be done; nothing is drafted."""
    bench.lights(["L"], BAYERPAT="RGGB")
    sentence = bench.refused()
    assert "comes from a colour sensor (BAYERPAT = 'RGGB')" in sentence
    assert "header_fixes" in sentence


def test_channels_of_a_colour_camera_alone_are_left_out(bench):
    """Lights of another camera beside them make a project, which check accepts."""
    bench.lights(["L"], BAYERPAT="RGGB")
    bench.lights(["Ha"], night="2026-02-04", COLORCCD=0)
    _, loaded = bench.draft()
    assert list(loaded.project.channels) == ["ha"]


def test_nothing_is_overwritten(bench):
    """A project file that is there stays as it is."""
    bench.lights(["G"])
    bench.draft()
    path = bench.projects / "field.yaml"
    path.write_text("mine")
    assert bench.refused() == (
        "config/projects/field.yaml exists already and is not overwritten; choose another name"
    )
    assert path.read_text() == "mine"


def test_a_dangling_link_is_not_written_through(bench, tmp_path):
    """A link to nowhere counts as a file that is there."""
    bench.lights(["G"])
    bench.projects.mkdir(parents=True)
    (bench.projects / "field.yaml").symlink_to(tmp_path / "elsewhere.yaml")
    assert "exists already" in bench.refused()
    assert not (tmp_path / "elsewhere.yaml").exists()


@pytest.mark.parametrize("name", ["My Target", "../x", "", "a.b", "ä", "x" * 41, "-a", "a\n"])
def test_names_that_cannot_be_projects(bench, name):
    """A name that could not be a folder of results is refused."""
    bench.lights(["G"])
    assert "cannot be the name of a project" in bench.refused(name)


def test_raw_folders_that_give_nothing(bench, tmp_path):
    """No folder, a file, no FITS files, and no lights are one sentence each."""
    assert bench.refused(raw=tmp_path / "gone").endswith(
        "gone: no such folder; give the folder that holds your frames"
    )
    assert "no FITS files" in bench.refused()
    bench.frame("dark1.fits", IMAGETYP="dark", EXPTIME=30.0)
    assert bench.refused() == (
        "no light frames among the FITS files: 1 dark; add the folder of the lights"
    )
    assert "not a folder" in bench.refused(raw=bench.raw / "dark1.fits")


def test_only_broken_files_give_a_reason(bench):
    """A folder of files that cannot be read is refused with the first reason."""
    (bench.raw / "note.fits").write_text("hello")
    assert bench.refused() == (
        "no light frames among the FITS files: 1 unreadable (note.fits is not a FITS file); "
        "add the folder of the lights"
    )


def test_raw_frames_are_not_touched(bench):
    """Drafting changes nothing in the raw folder."""
    bench.lights(["G"])
    before = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in bench.raw.iterdir()}
    bench.draft()
    after = {path: (path.read_bytes(), path.stat().st_mtime_ns) for path in bench.raw.iterdir()}
    assert after == before


def test_same_folders_give_the_same_text(bench):
    """Two drafts of the same frames are equal."""
    bench.lights(["G", "Ha", "B"])
    texts = [
        draft_text(survey_folders([bench.raw], bench.projects / "a.yaml"), "a", bench.projects)
        for _ in range(2)
    ]
    assert texts[0] == texts[1]


def test_summary_names_channels_and_the_next_command(bench):
    """The summary tells what was found and what to type next."""
    bench.lights(["G"], 1800.0, 3)
    path = bench.projects / "field.yaml"
    lines = summary(survey_folders([bench.raw], path), path)
    assert "  g (G): 3 lights, 1 h 30 min, 1 night" in lines
    assert lines[-1] == "  python3 scripts/platelog.py run field"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "unknown exposure"),
        (0.25, "0.25 s"),
        (59, "59 s"),
        (60, "1 min"),
        (3599, "1 h 00 min"),
        (36060, "10 h 01 min"),
    ],
)
def test_durations_in_words(seconds, words):
    """Lengths of time are given in seconds, minutes, or hours and minutes."""
    assert duration(seconds) == words


def test_refusal_of_the_verb_is_one_sentence_and_status_1(tmp_path):
    """The verb ends with status 1 and one line for a folder that is not there."""
    done = subprocess.run(
        [sys.executable, "-m", "platecli", "new", "no-such-field", str(tmp_path / "gone")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.count("\n") == 1
    assert "no such folder" in done.stderr


def test_night_of_a_ccd(raw_series, tmp_path):
    """A night of compressed frames without flats gives one open channel of all its lights."""
    projects, series = tmp_path / "config" / "projects", raw_series("slow-mover")
    loaded = load_project(draft_project("night", [series.folder], projects), projects)
    text = Path(loaded.path).read_text(encoding="utf-8")
    assert list(loaded.project.channels) == ["open"]
    together = duration(series.light_count * series.light_s)
    assert f"# Lights: {series.light_count}, together {together}." in text
    assert f"#   bias: {series.bias_count} x 0 s at -20 degrees C" in text
    assert f"#   dark: {series.dark_count} x 180 s at -20 degrees C" in text
    assert "#   flat: none" in text


def test_survey_frames(raw_series, tmp_path):
    """Survey frames that all say g are taken as calibrated; their names give the lines to use."""
    projects, folder = tmp_path / "config" / "projects", raw_series("gri-group").folder
    loaded = load_project(draft_project("group", [folder], projects), projects)
    assert loaded.project.calibrated is True
    path = projects / "group2.yaml"
    path.write_text(
        without_comment_signs(Path(loaded.path).read_text(encoding="utf-8")), encoding="utf-8"
    )
    ready = load_project(path, projects)
    frames = build_frame_list(scan_folders(ready.raw_folders, None, False), ready)
    assert sorted((frame.name, frame.channel) for frame in frames) == [
        ("reprojected_sdss_g.fits", "g"),
        ("reprojected_sdss_i.fits", "i"),
        ("reprojected_sdss_r.fits", "r"),
    ]
    assert ready.recipe.mapping.rows == {"red": {"i": 1}, "green": {"r": 1}, "blue": {"g": 1}}
