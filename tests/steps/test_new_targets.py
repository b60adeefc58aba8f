"""Drafts of raw folders that hold more than the lights of one target."""

import argparse
import os

import numpy as np
import pytest
from steps.drafts import draft_project, draft_projects, survey_folders
from steps.target_series import FIELD, light_names, series

from platecli.drafting.doubts import doubt_lines
from platecli.drafting.draft_summary import found_lines
from platecli.drafting.targets import Target
from platecli.text.outlook import look_ahead
from platecli.verbs import check, new
from platecli.verbs.new import project_names
from platefiles.config.load import load_project
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import scan_folders
from platefiles.workflow.open_project import open_projects


def test_two_objects_become_two_projects(drafting, capsys):
    """Each project takes the lights of its OBJECT, new nights included, and shares the darks."""
    series(drafting, "a", OBJECT="M 31")
    series(drafting, "b", count=3, OBJECT="m31", filters=("R",))
    series(drafting, "c", OBJECT="NGC 7000", filters=("Ha", "OIII"))
    for number in range(3):
        drafting.frame(f"d{number}.fits", IMAGETYP="dark", EXPTIME=120.0)
    loaded = drafting.drafts("run")
    assert list(loaded) == ["run-m-31", "run-ngc-7000"]
    assert loaded["run-m-31"].project.title == "M 31"
    assert loaded["run-m-31"].project.lights.objects == ["M 31"]
    assert list(loaded["run-m-31"].project.channels) == ["g", "r"]
    assert list(loaded["run-ngc-7000"].project.channels) == ["ha", "oiii"]
    series(drafting, "later", OBJECT="Messier 31")
    names = light_names(loaded["run-m-31"])
    assert {name.split("/")[0] for name in names} == {"a", "b", "later"}
    assert drafting.check(capsys) == (0, "")


def test_one_object_needs_no_selection(drafting):
    """A folder of one target is drafted without the key `lights`, under the name given."""
    series(drafting, "a", OBJECT="M 31")
    loaded = drafting.drafts("run")
    assert list(loaded) == ["run"]
    assert "lights:" not in loaded["run"].path.read_text()


def test_other_names_of_one_pointing_are_one_target(drafting):
    """Names that have nothing in common are one target where the fields overlap."""
    series(drafting, "a", OBJECT="Andromeda", RA=10.68, DEC=41.27, **FIELD)
    series(drafting, "b", OBJECT="M 31", RA=10.70, DEC=41.29, **FIELD)
    (loaded,) = drafting.drafts().values()
    assert len(light_names(loaded)) == 8
    said = found_lines(survey_folders([drafting.raw], loaded.path), loaded.path)
    assert "  treated as one target: OBJECT = 'Andromeda', 'M 31'" in said


def test_a_number_of_the_frame_in_object_makes_no_heap_of_projects(drafting):
    """More targets than anybody wants at once are asked about."""
    for number in range(9):
        series(drafting, f"s{number}", count=1, OBJECT=f"Swirl-{number}")
    assert drafting.refused().startswith("the lights have 9 targets: Swirl-0, Swirl-1, ")
    assert len(drafting.drafts(way="split")) == 9
    assert list(drafting.drafts("one", way="together")) == ["one"]


def test_a_target_of_a_colour_camera_holds_up_no_other(drafting, capsys):
    """Lights of a colour sensor are no target; alone they are refused with the reason."""
    series(drafting, "colour", OBJECT="M 42", BAYERPAT="RGGB", INSTRUME="one")
    assert "comes from a colour sensor (BAYERPAT = 'RGGB')" in drafting.refused()
    series(drafting, "mono", OBJECT="M 31", INSTRUME="other")
    ((name, loaded),) = drafting.drafts().items()
    assert (name, loaded.project.title) == ("field", "M 31")
    assert len(light_names(loaded)) == 4
    assert drafting.check(capsys) == (0, "")


def test_a_field_that_drifts_is_one_target(drafting):
    """Pointings that move by a small step each time are one, however far they get."""
    for number in range(12):
        place = {"RA": 40.0 + 0.06 * number, "DEC": 5.0}
        series(drafting, f"n{number}", count=1, OBJECT="X", **place, **FIELD)
    assert list(drafting.drafts()) == ["field"]


def test_pointings_of_one_object_are_asked_about(drafting, capsys):
    """Panels of a mosaic are not drafted unasked; each of the two commands does what it says."""
    for panel in range(2):
        place = {"RA": 83.0 + 0.2 * panel, "DEC": -5.0}
        series(drafting, f"p{panel}", OBJECT="M 42", **place, **FIELD)
    said = drafting.refused()
    assert "OBJECT = 'M 42' has 2 pointings that overlap by less than half" in said
    assert "RA 83.000, Dec -5.000 (4 lights), RA 83.200, Dec -5.000 (4 lights)" in said
    assert f"new field {drafting.raw} --split` drafts a project for each" in said
    split = drafting.drafts(way="split")
    assert list(split) == ["field-1", "field-2"]
    assert light_names(split["field-1"]) == {f"p0/G120_{n}.fits" for n in range(4)}
    assert light_names(split["field-2"]) == {f"p1/G120_{n}.fits" for n in range(4)}
    assert split["field-2"].project.title == "M 42, pointing 2"
    (whole,) = drafting.drafts("whole", way="together").values()
    assert len(light_names(whole)) == 8
    assert drafting.check(capsys) == (0, "")


def test_pointings_across_zero_hours_and_at_the_pole(drafting):
    """Right ascensions of 359.99 and 0.01 degrees are near, and so are all at the pole."""
    series(drafting, "a", OBJECT="X", RA=359.99, DEC=0.0, **FIELD)
    series(drafting, "b", OBJECT="X", RA=0.01, DEC=0.0, **FIELD)
    assert list(drafting.drafts("equator")) == ["equator"]
    drafting.raw = drafting.raw.parent / "pole"
    series(drafting, "a", OBJECT="X", RA=10.0, DEC=89.99, **FIELD)
    series(drafting, "b", OBJECT="X", RA=190.0, DEC=89.99, **FIELD)
    assert list(drafting.drafts("pole")) == ["pole"]


def test_only_the_target_that_is_asked_for(drafting):
    """With --target there is one project, of the name given; a name without lights is refused."""
    series(drafting, "a", OBJECT="M 31")
    series(drafting, "b", OBJECT="M 33")
    (name, loaded), *_ = drafting.drafts("only", target="m33").items()
    assert name == "only"
    assert light_names(loaded) == {f"b/G120_{n}.fits" for n in range(4)}
    said = drafting.refused("other", target="M 34")
    assert said == "no light has OBJECT = 'M 34'; there are 'M 31', 'M 33'"


def test_lights_that_do_not_tell_their_target_are_in_no_draft(drafting):
    """Among several targets a light without OBJECT is given to none."""
    series(drafting, "a", OBJECT="M 31")
    series(drafting, "b", OBJECT="M 33")
    series(drafting, "c")
    for loaded in drafting.drafts().values():
        assert not any(name.startswith("c/") for name in light_names(loaded))


def test_no_file_is_written_if_one_of_several_is_there(drafting):
    """Several drafts are written all or not at all."""
    series(drafting, "a", OBJECT="M 31")
    series(drafting, "b", OBJECT="M 33")
    drafting.projects.mkdir(parents=True)
    (drafting.projects / "run-m33.yaml").write_text("mine")
    series(drafting, "b", count=9, OBJECT="M33")
    assert "run-m33.yaml exists already" in drafting.refused("run")


def test_names_of_projects_are_unique_and_short():
    """Targets whose names differ in signs only, and long ones, get names that differ."""
    titles = ["M 31", "M-31", "A very long name of a nebula in the north", ""]
    names = project_names("x" * 20, [Target(title, (), frozenset()) for title in titles])
    assert len(set(names)) == 4
    assert all(len(name) <= 40 for name in names)
    assert names[0] == "x" * 20 + "-m-31"


@pytest.mark.parametrize(
    ("where", "cards"),
    [
        ("focus", {}),
        ("night1/AutoFocus run", {}),
        ("Tests", {}),
        ("a", {"OBJECT": "focus"}),
        ("a", {"XBINNING": 4, "YBINNING": 4}),
        ("a", {"EXPTIME": 10.0}),
        ("a", {"EXPTIME": 2.0, "FILTER": "L"}),
    ],
)
def test_focus_and_test_exposures_are_excluded(drafting, capsys, where, cards):
    """They are told by folder, OBJECT, binning, exposure, or as a glance through a filter."""
    series(drafting, "a", count=12, filters=("Ha", "G", "B"), OBJECT="M 31")
    for number in range(3):
        given = {"IMAGETYP": "light", "EXPTIME": 3.0, "FILTER": "G", "OBJECT": "M 31", **cards}
        drafting.frame(f"{where}/z{number}.fits", **given)
    (loaded,) = drafting.drafts().values()
    assert len(light_names(loaded)) == 36
    assert list(loaded.project.channels) == ["b", "g", "ha"]
    assert loaded.project.exclude
    path = drafting.projects / "again.yaml"
    said = found_lines(survey_folders([drafting.raw], path), path)
    assert any(line.startswith("  excluded: ") for line in said)
    assert drafting.check(capsys) == (0, "")


def test_what_is_much_of_a_channel_is_no_test(drafting):
    """Short exposures for a bright core, and short colours beside long lines, stay."""
    series(drafting, "a", count=20, exposure=300.0, filters=("Ha",), OBJECT="M 42")
    series(drafting, "b", count=40, exposure=30.0, filters=("Ha",), OBJECT="M 42")
    series(drafting, "c", count=6, exposure=10.0, filters=("G",), OBJECT="M 42")
    (loaded,) = drafting.drafts().values()
    assert loaded.project.exclude == []
    assert len(light_names(loaded)) == 66


def test_a_star_for_focusing_is_no_target(drafting, capsys):
    """A few seconds on another OBJECT give no project of their own, and a line on the console."""
    series(drafting, "a", count=20, exposure=300.0, OBJECT="M 42")
    series(drafting, "b", count=9, exposure=2.0, OBJECT="HIP 26311")
    (name, loaded), *more = drafting.drafts().items()
    assert (name, more) == ("field", [])
    assert len(light_names(loaded)) == 20
    args = argparse.Namespace(name="again", raw=[drafting.raw], target=None, way=None)
    assert new.run(args, drafting.projects) == 0
    said = capsys.readouterr().out
    assert "No draft for 9 lights of HIP 26311, which are too few." in said
    assert "--target 'HIP 26311'` drafts one." in said
    assert said.endswith("run again\n")


def test_a_target_that_is_called_test_is_drafted(drafting):
    """Words such as test mean nothing where most of the light is called so."""
    series(drafting, "test/lights", OBJECT="Test", count=5)
    (loaded,) = drafting.drafts().values()
    assert len(light_names(loaded)) == 5


def test_a_folder_with_other_frames_is_not_excluded_whole(drafting):
    """Darks that lie beside focus exposures are kept; only the lights are named."""
    series(drafting, "a", count=9, OBJECT="M 31")
    series(drafting, "focus [1]", count=2, exposure=2.0, OBJECT="M 31")
    drafting.frame("focus [1]/dark.fits", IMAGETYP="dark", EXPTIME=120.0)
    (loaded,) = drafting.drafts().values()
    assert len(light_names(loaded)) == 9
    frames = build_frame_list(scan_folders(loaded.raw_folders, None, False), loaded)
    assert [frame.name for frame in frames if frame.role == "dark"] == ["focus [1]/dark.fits"]


def test_channels_without_usable_lights_are_not_drafted(drafting, capsys):
    """A filter of which all lights are of an odd size or lack an exposure gives no channel."""
    series(drafting, "a", count=5, filters=("G", "B"))
    drafting.frame("o.fits", np.ones((3, 4), "uint16"), IMAGETYP="light", EXPTIME=99.0, FILTER="R")
    drafting.frame("n.fits", IMAGETYP="light", FILTER="SII")
    drafting.frame("f.fits", IMAGETYP="flat", EXPTIME=1.0, FILTER="OIII")
    text, loaded = drafting.draft()
    assert list(loaded.project.channels) == ["b", "g"]
    assert "#   o.fits: is 4x3 px where the other lights are 8x6" in text
    assert drafting.check(capsys) == (0, "")


def test_unknown_filters_are_asked_about(drafting, capsys):
    """Numbers of filter wheels give a grey picture and a question, no colours by the alphabet."""
    series(drafting, "a", filters=("1", "2", "Quad"))
    text, loaded = drafting.draft()
    assert loaded.recipe_name == "single-channel"
    assert loaded.recipe.mapping.rows == {"luminance": {"*": 1}}
    said = found_lines(survey_folders([drafting.raw], loaded.path), loaded.path)
    (question,) = [line for line in said if line.startswith("  colours: ")]
    assert "'1', '2', 'Quad' of unknown colour" in question
    assert '`red: {"1": 1}`' in question
    assert "of unknown" in text
    assert drafting.check(capsys) == (0, "")


def test_known_filters_beside_an_unknown_one(drafting):
    """Two known filters are mapped by wavelength, the unknown one to nothing."""
    series(drafting, "a", filters=("Ha", "OIII", "4"))
    _, loaded = drafting.draft()
    assert loaded.recipe.mapping.rows == {
        "red": {"ha": 1},
        "green": {"oiii": 1},
        "blue": {"oiii": 1},
    }


def test_check_asks_about_new_lights(drafting, capsys):
    """Focus exposures and another target that a later night brings are told by `check`."""
    series(drafting, "a", count=12, OBJECT="M 31")
    (loaded,) = drafting.drafts().values()
    assert drafting.check(capsys) == (0, "")
    series(drafting, "focus", count=2, exposure=3.0, OBJECT="M 31")
    series(drafting, "b", count=5, OBJECT="M 33")
    plans, _ = open_projects([str(loaded.path)], drafting.projects, True, True)
    lines = doubt_lines(look_ahead(plans["field"], "picture"))
    assert lines == [
        "  focus or test? focus/* (in a folder called focus): if so, add them to `exclude`",
        "  2 targets: M 31 (12), M 33 (5); `lights` selects those of the project",
    ]
    assert check.text(look_ahead(plans["field"], "picture"))[2:4] == lines
    (drafting.projects.parents[1] / "results" / "field").mkdir(parents=True)
    rows = ["id\tname\tchannel\tstate\treason\texposure_s"]
    rows += [f"{f.id}\t{f.name}\tg\tused\t\t1" for f in plans["field"].lights("g")]
    (drafting.projects.parents[1] / "results/field/subs.tsv").write_text("\n".join(rows))
    assert doubt_lines(look_ahead(plans["field"], "picture")) == []


def test_folders_inside_of_others_are_given_once(drafting, capsys):
    """A folder that lies in another one, or is given twice, is searched with that alone."""
    series(drafting, "a/b")
    folders = [drafting.raw / "a", drafting.raw, drafting.raw / "a" / "b", drafting.raw]
    (path,) = draft_projects("field", folders, drafting.projects)
    assert load_project(path, drafting.projects).raw_folders == (drafting.raw,)
    assert drafting.check(capsys) == (0, "")


def invent(bench, rng):
    """Fill a raw folder with whatever a year of nights may leave there."""
    pool = ["Ha", "OIII", "L", "R", "G", "B", "", "1", "7 nm", "Quad", "i'", "odd: [#]", "g", "Red"]
    filters = rng.choice(pool, rng.integers(1, 5), replace=False).tolist()
    for target in range(rng.integers(1, 4)):
        cards = {}
        if rng.random() < 0.7:
            cards["OBJECT"] = str(rng.choice(["M 31", "M31", "NGC 7000", "x: #1 {y}", "test", " "]))
        if rng.random() < 0.6:
            cards |= {"RA": round(rng.uniform(0, 359), 3), "DEC": round(rng.uniform(-89, 89), 3)}
            cards |= FIELD if rng.random() < 0.5 else {}
        if rng.random() < 0.7:
            cards |= {"GAIN": int(rng.choice([0, 100])), "CCD_TEMP": float(rng.choice([-20, -5]))}
        for _ in range(rng.integers(1, 4)):
            exposure = float(rng.choice([0.5, 3, 30, 60, 180, 300, 301]))
            cards |= {"BAYERPAT": "RGGB"} if rng.random() < 0.1 else {}
            folder = rng.choice(["a", "night 2", "focus", "test", "d/e"]) + str(target)
            own = [value for value in filters if rng.random() < 0.8]
            series(bench, folder, int(rng.integers(1, 8)), exposure, own, **cards)
    for kind in ("bias", "dark", "flat"):
        for _ in range(rng.integers(0, 3)):
            cards = {"GAIN": int(rng.choice([0, 100])), "CCD_TEMP": float(rng.choice([-20, -12]))}
            exposure = float(rng.choice([0, 3, 60, 180, 600]))
            for number in range(rng.integers(1, 5)):
                bench.frame(
                    f"calib/{kind}{rng.integers(1e9)}_{number}.fits",
                    IMAGETYP=kind,
                    EXPTIME=exposure,
                    FILTER=str(rng.choice(filters)),
                    **cards,
                )
    if rng.random() < 0.3:
        (bench.raw / "broken.fits").write_bytes(b"SIMPLE")
        os.utime(bench.raw / "broken.fits", (1e9, 1e9))
    if rng.random() < 0.3:
        bench.frame("small.fits", np.ones((4, 4), "uint16"), IMAGETYP="light", EXPTIME=4.0)


@pytest.mark.parametrize("seed", range(16))
def test_check_accepts_whatever_new_drafts(drafting, capsys, seed):
    """Of invented raw folders of all kinds, `check` accepts each draft; no light is in two."""
    rng = np.random.default_rng(seed)
    invent(drafting, rng)
    series(drafting, "last", OBJECT="M 31")
    projects = drafting.drafts(way=["split", "together"][seed % 2])
    assert drafting.check(capsys) == (0, "")
    assert "focus or test?" not in drafting.said
    taken = [name for loaded in projects.values() for name in light_names(loaded)]
    assert len(taken) == len(set(taken)) > 0


def test_draft_of_a_whole_simulated_set(drafting, tiny_raw, capsys):
    """Three channels of two nights, with all calibration frames, give a picture as they are."""
    drafting.raw = tiny_raw
    (loaded,) = drafting.drafts().values()
    assert loaded.recipe_name == "ha-in-red"
    assert loaded.project.exclude == []
    assert len(light_names(loaded)) == 24
    assert drafting.check(capsys) == (0, "")


@pytest.mark.parametrize("name", ["changing-seeing", "wide-drifting", "slow-mover", "gri-group"])
def test_drafts_of_series_are_accepted(raw_series, drafting, capsys, name):
    """Each series gives one project that `check` accepts as it is."""
    drafting.raw = raw_series(name).folder
    assert list(drafting.drafts("night")) == ["night"]
    assert drafting.check(capsys) == (0, "")


def test_focus_exposures_of_a_night_are_excluded(raw_series, tmp_path):
    """A night with focus and test exposures keeps its lights of 180 and 240 s."""
    projects, series = tmp_path / "config" / "projects", raw_series("changing-seeing")
    path = draft_project("night", [series.folder], projects)
    loaded = load_project(path, projects)
    assert loaded.project.exclude[0] == "focus/*"
    names = light_names(loaded)
    assert len(names) == series.light_count
    assert {name.partition(".")[0] for name in names} == {"a-180s", "a-240s"}
    assert draft_projects("again", [series.folder], projects) != []
