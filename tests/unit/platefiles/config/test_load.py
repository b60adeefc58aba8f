import subprocess
import sys
import textwrap
from pathlib import Path
from types import SimpleNamespace

import pytest

from platefiles.config.cross_checks import check_against_sheet
from platefiles.config.load import ConfigError, find_projects, load_project, merge
from platefiles.config.problems import RENAMED, homes
from platefiles.config.project import Channel, Equipment, Project
from platefiles.frames.left_out import LeftOut, Why
from platefiles.frames.left_out_sentences import sentence
from platefiles.settings.colour import Mapping
from platefiles.settings.integration import Integration

CONFIG = Path(__file__).resolve().parents[4] / "config"

RECIPE = """\
mapping:
  red: {ha: 1}
  green: {g: 1}
  blue: {g: 1}
integration:
  clip: sigma
  clip_low: 3
"""
PROJECT = """\
title: Quiet Field
raw: [../../frames]
recipe: mine
channels:
  ha: {filters: [Ha]}
  g:
    filters: [G]
"""


class Desk:
    """A folder with config files in it, that is the working directory."""

    def __init__(self, root):
        self.projects = root / "config" / "projects"
        self.projects.mkdir(parents=True)
        (root / "frames").mkdir()
        self.write("recipes/mine", RECIPE)

    def write(self, name, text):
        """Write ``config/NAME.yaml``."""
        path = self.projects.parent / f"{name}.yaml"
        path.parent.mkdir(exist_ok=True)
        path.write_text(textwrap.dedent(text))
        return path

    def load(self, text=PROJECT, name="one"):
        """Load a project of this text."""
        self.write(f"projects/{name}", text)
        return load_project(name, self.projects)

    def problems(self, text=PROJECT, name="one"):
        """Give the lines with which a project is refused."""
        with pytest.raises(ConfigError) as caught:
            self.load(text, name)
        assert str(caught.value) == "\n".join(caught.value.problems)
        return list(caught.value.problems)


@pytest.fixture
def desk(tmp_path, monkeypatch):
    """Give an empty desk."""
    monkeypatch.chdir(tmp_path)
    return Desk(tmp_path)


def test_loaded_project_holds_all_it_refers_to(desk, tmp_path):
    """A project comes with its recipe, its raw folders, its lock, and defaults elsewhere."""
    loaded = desk.load()
    assert loaded.name == "one"
    assert loaded.raw_folders == (tmp_path / "frames",)
    assert loaded.lock_path == desk.projects / "one.lock.yaml"
    assert loaded.recipe_name == "mine"
    assert loaded.recipe.integration == Integration(clip="sigma", clip_low=3)
    assert loaded.recipe.mapping.rows == {"red": {"ha": 1}, "green": {"g": 1}, "blue": {"g": 1}}
    assert loaded.equipment == Equipment()
    assert loaded.project.channels["ha"] == Channel(filters=["Ha"])


def test_path_and_name_load_the_same(desk):
    """A project can be given by its name, its path, or its path as text."""
    by_name = desk.load()
    path = desk.projects / "one.yaml"
    assert load_project(path, desk.projects) == by_name
    assert load_project("config/projects/one.yaml", desk.projects) == by_name


def test_overrides_change_only_what_they_name(desk):
    """An override goes before the recipe, which keeps everything else."""
    loaded = desk.load(
        PROJECT + "overrides: {integration: {clip: none}, quality: {min_stars: 20}}\n"
    )
    assert loaded.recipe.integration.clip == "none"
    assert loaded.recipe.integration.clip_low == 3
    assert loaded.recipe.quality.min_stars == 20


def test_rows_of_the_mapping_are_replaced_whole(desk):
    """An overridden row has its own channels only, the other rows stay."""
    loaded = desk.load(PROJECT + "overrides: {mapping: {red: {g: 2}}}\n")
    assert loaded.recipe.mapping.rows == {"red": {"g": 2}, "green": {"g": 1}, "blue": {"g": 1}}


def test_a_row_is_taken_away_by_null(desk):
    """A row that is overridden by null is gone."""
    rows = "{red: null, green: null, blue: null, luminance: {'*': 1}}"
    loaded = desk.load(PROJECT + f"overrides: {{mapping: {rows}}}\n")
    assert loaded.recipe.mapping.rows == {"luminance": {"*": 1}}


def test_merge_changes_neither_side():
    """Merging makes a new mapping."""
    below, above = {"a": {"b": 1, "c": 2}}, {"a": {"b": 3}, "d": 4}
    assert merge(below, above) == {"a": {"b": 3, "c": 2}, "d": 4}
    assert below == {"a": {"b": 1, "c": 2}}
    assert above == {"a": {"b": 3}, "d": 4}


def test_shipped_recipe_serves_a_project_elsewhere(desk):
    """A recipe that is not beside the project is found among the shipped ones."""
    assert desk.load(PROJECT.replace("mine", "single-channel")).recipe.mapping.luminance == {"*": 1}


def test_recipe_beside_the_project_goes_first(desk):
    """A recipe of one's own hides a shipped one of the same name."""
    desk.write("recipes/single-channel", "mapping: {luminance: {g: 1}}")
    assert desk.load(PROJECT.replace("mine", "single-channel")).recipe.mapping.luminance == {"g": 1}


def test_equipment_is_loaded(desk):
    """A project's equipment file is read."""
    desk.write("equipment/bench", "camera: Wren\nsite: {latitude_deg: 1, longitude_deg: -2.5}\n")
    equipment = desk.load(PROJECT + "equipment: bench\n").equipment
    assert equipment.camera == "Wren"
    assert equipment.site.longitude_deg == -2.5


def test_all_problems_of_all_files_come_at_once(desk):
    """Typos in the project, its overrides, its recipe and its equipment are told together."""
    desk.write("recipes/mine", RECIPE + "  clip_hgh: 3\n")
    desk.write("equipment/bench", "gain_e_per_adu: -1\n")
    text = PROJECT.replace("title", "titel") + (
        "equipment: bench\nkeep_subs: [calibratd]\noverrides:\n  integration: {clip: sgma}\n"
        "  strech: {}\n  esd_alpha: 0.1\nquality: {}\n"
    )
    assert desk.problems(text) == [
        "config/projects/one.yaml: title: is required and missing",
        "config/projects/one.yaml:1: titel: unknown setting - did you mean 'title'?",
        "config/projects/one.yaml:9: keep_subs[1]: must be 'calibrated' or 'registered' "
        "(got 'calibratd') - did you mean 'calibrated'?",
        "config/projects/one.yaml:11: overrides.integration.clip: must be 'noise', 'sigma', "
        "'mad', 'esd' or 'none' (got 'sgma') - did you mean 'sigma'?",
        "config/projects/one.yaml:12: overrides.strech: unknown setting - did you mean 'stretch'?",
        "config/projects/one.yaml:13: overrides.esd_alpha: unknown setting; "
        "esd_alpha belongs in integration:",
        "config/projects/one.yaml:14: quality: unknown setting; quality belongs in overrides:",
        "config/recipes/mine.yaml:8: integration.clip_hgh: unknown setting - "
        "did you mean 'clip_high'?",
        "config/equipment/bench.yaml:1: gain_e_per_adu: must be greater than 0.0 (got -1)",
    ]


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ("calibrated: maybe", "calibrated: must be true or false (got 'maybe')"),
        ("calibrated: 1.5", "calibrated: must be true or false (got 1.5)"),
        ("exclude: '*.fits'", "exclude: must be a list, such as [one, two] (got '*.fits')"),
        ("exclude: [5]", "exclude[1]: must be text; put it in quotes (got 5)"),
        ("exclude:", "exclude: must be a list, such as [one, two] (got nothing)"),
        ("overrides: [a]", "overrides: must be a group of keys and values (got a list)"),
        (
            "overrides: {integration: 3}",
            "overrides.integration: must be a group of keys and values (got 3)",
        ),
        (
            "overrides: {integration: {clip_low: '3'}}",
            "overrides.integration.clip_low: must be a number (got '3')",
        ),
        (
            "overrides: {integration: {clip_low: true}}",
            "overrides.integration.clip_low: must be a number (got true)",
        ),
        (
            "overrides: {integration: {clip_low: .nan}}",
            "overrides.integration.clip_low: must be a finite number (got nan)",
        ),
        (
            "overrides: {integration: {min_subs: 2.5}}",
            "overrides.integration.min_subs: must be a whole number (got 2.5)",
        ),
        (
            "overrides: {quality: {min_transparency: 2}}",
            "overrides.quality.min_transparency: must be at most 1.0 (got 2)",
        ),
        (
            "header_fixes: {'*': {FILTER: [a]}}",
            "header_fixes.*.FILTER: must be text, a number, true or false (got a list)",
        ),
        (
            "header_fixes: {'*': {filter: a}}",
            "header_fixes.*.filter: must be a FITS keyword: at most 8 capitals, digits, - and _ "
            "(got 'filter')",
        ),
        (
            "header_fixes: {'*': {FILTR: a}}",
            "header_fixes.*.FILTR: is a card that is never read - did you mean 'FILTER'?",
        ),
        (
            "header_fixes: {'*': {EXPTIME: abc}}",
            "header_fixes.*.EXPTIME: must be a number of seconds, such as 120, or '' to erase the "
            "card (got 'abc')",
        ),
        (
            "equipment: ../../x",
            "equipment: must be small letters, digits, - and _ only, at most 40 (got '../../x')",
        ),
    ],
)
def test_wrong_value_is_told_with_its_line(desk, line, problem):
    """A value of a wrong kind or size is told with file, line, key, rule and value."""
    assert desk.problems(PROJECT + line + "\n") == [f"config/projects/one.yaml:8: {problem}"]


@pytest.mark.parametrize("word", ["yes", "on", "true", "True"])
def test_switches_take_words(desk, word):
    """A switch may be yes, on or true."""
    assert desk.load(PROJECT + f"calibrated: {word}\n").project.calibrated is True


def test_channel_problems(desk):
    """Channel names, empty filter lists, and misspelt keys of a channel are told."""
    text = PROJECT.replace("ha: {filters: [Ha]}", "ha: {filters: []}").replace(
        "    filters: [G]", "    filter: [G]\n  H-a: {filters: [S2], dark: off}"
    )
    assert desk.problems(text) == [
        "config/projects/one.yaml:5: channels.ha.filters: must not be empty",
        "config/projects/one.yaml:6: channels.g.filters: is required and missing",
        "config/projects/one.yaml:7: channels.g.filter: unknown setting - did you mean 'filters'?",
        "config/projects/one.yaml:8: channels.H-a: must be small letters, digits and _ only, "
        "at most 20 (got 'H-a')",
        "config/projects/one.yaml:8: channels.H-a.dark: must be 'auto' or 'none' (got 'off')",
    ]


def test_filter_claimed_twice_in_any_spelling(desk):
    """Two channels cannot share a filter, however it is spelt."""
    assert desk.problems(PROJECT + "  wide: {filters: [X, H-alpha 7nm]}\n") == [
        "config/projects/one.yaml:8: channels.wide.filters: the filter 'H-alpha 7nm' is claimed by "
        "the channel 'ha' already; a filter can feed one channel only"
    ]


def test_capital_and_small_letter_filters_may_stand_side_by_side(desk):
    """A project may hold both G and g in two channels."""
    assert len(desk.load(PROJECT + "  survey: {filters: [g]}\n").project.channels) == 3


def test_mapping_of_a_channel_that_is_not_there(desk):
    """A row with an unknown channel is told at the recipe, or at the override that gave it."""
    text = PROJECT.replace("ha:", "h:") + "overrides:\n  mapping:\n    blue: {oiii: 1, g: 1}\n"
    assert desk.problems(text) == [
        "config/projects/one.yaml:10: overrides.mapping.blue.oiii: the project has no channel "
        "'oiii' (it has h, g); name the channel so, or give another mapping under 'overrides'",
        "config/recipes/mine.yaml:2: mapping.red.ha: the project has no channel 'ha' "
        "(it has h, g); name the channel so, or give another mapping under 'overrides'",
    ]


def test_problems_of_a_file_are_told_line_by_line(desk):
    """Whatever finds them, problems come by line, the project's file first; each is told once."""
    text = PROJECT.replace("filters: [G]", "filters: [G, HA]") + (
        "sky:\n  catalogue: none.csv\nheader_fixes: {'*': {FILTR: X}}\n"
        "overrides:\n  continuum: {r: {minus: g}}\n  stretch: {shoulder: 7}\n"
    )
    desk.write("recipes/mine", RECIPE + "  clip_hgh: 3\n")
    places = [problem.split(": ")[0] for problem in desk.problems(text)]
    lines = [int(place.rpartition(":")[2]) for place in places[:-1]]
    assert len(lines) == 4
    assert lines == sorted(lines)
    assert {place.rpartition(":")[0] for place in places[:-1]} == {"config/projects/one.yaml"}
    assert places[-1].startswith("config/recipes/mine.yaml:")
    assert len({*desk.problems(text)}) == len(places)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("clip_low: 3\n", "clip_low: unknown setting; clip_low belongs in overrides: integration:"),
        ("ra_deg: 3\n", "ra_deg: unknown setting; ra_deg belongs in sky:"),
        ("filters: [R]\n", "filters: unknown setting; filters belongs in channels: NAME:"),
        (
            "focal_length_mm: 400\n",
            "focal_length_mm: unknown setting; focal_length_mm belongs in the equipment file",
        ),
        (
            "overrides:\n  stretch: {clip_low: 3}\n",
            "overrides.stretch.clip_low: unknown setting; clip_low belongs in integration:",
        ),
        (
            "overrides:\n  scale_arcsec: 3\n",
            "overrides.scale_arcsec: unknown setting; "
            "scale_arcsec belongs outside of overrides, in sky:",
        ),
        ("sky: {exclude: []}\n", "sky.exclude: unknown setting; exclude belongs at the top of"),
        (
            "pictures:\n  warm: {shoulder: 0.5}\n",
            "pictures.warm.shoulder: is no key that a picture knows; "
            "shoulder belongs in pictures: warm: stretch:",
        ),
        (
            "pictures:\n  warm: {clip_low: 3}\n",
            "pictures.warm.clip_low: is no key that a picture knows; "
            "clip_low belongs in overrides: integration:",
        ),
    ],
)
def test_key_in_the_wrong_group_is_told_where_it_belongs(desk, text, problem):
    """A key that another group, or another file, knows is answered with that place."""
    (told,) = desk.problems(PROJECT + text)
    assert f": {problem}" in told


@pytest.mark.parametrize(("old", "new"), RENAMED.items())
def test_key_of_an_earlier_version_is_told_its_name(desk, old, new):
    """A key that was renamed is refused with the name that it has now, which a model knows."""
    (told,) = desk.problems(PROJECT + f"overrides: {{colour: {{{old}: 1}}}}\n")
    assert told.endswith(f"unknown setting; it is called {new} now")
    assert homes(new, Project)


def test_key_of_the_project_in_the_recipe_is_told_where_it_belongs(desk):
    """So are keys of the project's file in that of a recipe, and of a recipe in the equipment."""
    desk.write("recipes/mine", RECIPE + "exclude: []\n")
    desk.write("equipment/bench", "camera: x\nclip_low: 3\n")
    recipe, equipment = desk.problems(PROJECT + "equipment: bench\n")
    assert recipe.endswith("exclude: unknown setting; exclude belongs in the project file")
    assert equipment.endswith("clip_low belongs in overrides: integration:")


@pytest.mark.parametrize(
    ("continuum", "problem"),
    [
        ("{oiii: {minus: g}}", "oiii: the project has no channel 'oiii' (it has ha, g); name the"),
        ("{ha: {minus: r}}", "ha.minus: 'r' is no broadband channel; name one of g"),
        ("{ha: {minus: ha}}", "ha.minus: 'ha' is no broadband channel; name one of g"),
        (
            "{ha: {minus: g, scale: 0}}",
            "ha.scale: must be 'auto' or a number above 0, at most 1000",
        ),
        ("{ha: {minus: g, scale: much}}", "ha.scale: must be 'auto' or a number above 0, at most"),
        ("{ha: {}}", "ha.minus"),
    ],
)
def test_starlight_comes_from_a_broadband_channel(desk, continuum, problem):
    """A channel that is not there, or is a narrowband one itself, is told where it stands."""
    problems = desk.problems(PROJECT + f"overrides:\n  continuum: {continuum}\n")
    assert len(problems) == 1
    assert f"continuum.{problem}" in problems[0]


def test_mapping_is_checked_though_other_keys_are_wrong(desk):
    """A wrong channel in the mapping is told together with typos elsewhere."""
    problems = desk.problems(PROJECT.replace("title", "titel").replace("ha:", "h:"))
    assert [problem.split(": ")[1] for problem in problems] == ["title", "titel", "mapping.red.ha"]


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        ("{}", "mapping.red: names no channel; leave 'red' out or name one"),
        ("{ha: 0, g: 0}", "mapping.red: the weights must sum to more than 0 (they sum to 0)"),
        ("{ha: -1}", "mapping.red.ha: must be at least 0.0 (got -1)"),
        ("{ha: x}", "mapping.red.ha: must be a number (got 'x')"),
        ("ha", "mapping.red: must be a group of keys and values (got 'ha')"),
    ],
)
def test_rows_must_sum_to_light(desk, row, problem):
    """A row without channels or without weight is refused."""
    desk.write("recipes/mine", f"mapping:\n  red: {row}\n  green: {{g: 1}}\n  blue: {{g: 1}}\n")
    assert desk.problems() == [f"config/recipes/mine.yaml:2: {problem}"]


def test_mapping_needs_three_colours_or_luminance(desk):
    """Missing colours without a luminance are no picture."""
    desk.write("recipes/mine", "mapping:\n  red: {ha: 1}\n")
    assert desk.problems() == [
        "config/recipes/mine.yaml:1: mapping: no channel makes green and blue: give red, green and "
        "blue, or luminance alone for a black-and-white picture"
    ]
    with pytest.raises(ValueError, match="no channel makes red and green and blue"):
        Mapping()


def test_recipe_and_equipment_that_do_not_exist(desk):
    """A missing recipe or equipment is answered with those that exist."""
    desk.write("equipment/bench", "camera: Wren\n")
    text = PROJECT.replace("recipe: mine", "recipe: broadband-rbg") + "equipment: bnch\n"
    assert desk.problems(text) == [
        "config/projects/one.yaml:3: recipe: no recipe is called 'broadband-rbg' - did you mean "
        "'broadband-rgb'?; there are broadband-rgb, ha-in-red, mine, single-channel",
        "config/projects/one.yaml:8: equipment: no equipment is called 'bnch' - did you mean "
        "'bench'?; there are bench, demo-bench",
    ]


def test_overrides_are_checked_without_a_recipe(desk):
    """Typos in overrides are told even if the recipe is missing."""
    text = PROJECT.replace("recipe: mine", "recipe: nothing") + "overrides: {strech: {}}\n"
    assert [problem.split(" - ")[0] for problem in desk.problems(text)][1] == (
        "config/projects/one.yaml:8: overrides.strech: unknown setting"
    )


def test_broken_recipe_is_told(desk):
    """A recipe that is not YAML is one problem, at its own line."""
    desk.write("recipes/mine", "mapping: {red: {ha: 1}\n")
    (problem,) = desk.problems()
    assert problem.startswith("config/recipes/mine.yaml:2: not valid YAML: ")


def test_raw_folders_that_cannot_serve(desk, tmp_path):
    """A folder that is not there, a file, and a folder inside another are told each."""
    (tmp_path / "frames" / "night1").mkdir()
    (tmp_path / "note.txt").touch()
    raw = "\n  - ../../gone\n  - ../../note.txt\n  - ../../frames/night1\n  - ../../frames"
    assert desk.problems(PROJECT.replace(" [../../frames]", raw)) == [
        "config/projects/one.yaml:3: raw: no such folder: gone",
        "config/projects/one.yaml:4: raw: not a folder: note.txt; give the folder it lies in",
        "config/projects/one.yaml:5: raw: frames/night1 is searched already, as frames; "
        "leave one of the two out",
    ]


def test_raw_folder_given_twice(desk):
    """The same folder twice is told."""
    (problem,) = desk.problems(PROJECT.replace("[../../frames]", "[../../frames, ../.././frames]"))
    assert "raw: frames is searched already, as frames" in problem


def test_project_that_does_not_exist(desk):
    """A wrong name is answered with the near one and with those that exist."""
    desk.write("projects/one", PROJECT)
    with pytest.raises(ConfigError) as caught:
        load_project("onee", desk.projects)
    assert str(caught.value) == (
        "no project is called 'onee' - did you mean 'one'?; config/projects holds one"
    )
    with pytest.raises(ConfigError, match="two.yaml: no such file"):
        load_project(desk.projects / "two.yaml", desk.projects)


def test_file_name_that_cannot_be_a_project(desk):
    """A file whose name could not be a folder of results is refused."""
    (problem,) = desk.problems(name="My Target")
    assert problem.startswith("config/projects/My Target.yaml: the name of the file must be")


def test_locks_are_no_projects(desk):
    """Pinned grids beside project files are not taken for projects."""
    for name in ("b", "a", "a.lock"):
        desk.write(f"projects/{name}", PROJECT)
    assert [path.name for path in find_projects(desk.projects)] == ["a.yaml", "b.yaml"]


def frame(role, channel="", left_out=None, name=""):
    """Make what the check needs of a frame."""
    why, reason = (left_out.why, sentence(left_out)) if left_out else (None, "")
    known = {"left_out": left_out, "why": why, "reason": reason}
    return SimpleNamespace(role=role, channel=channel, name=name, **known)


def unclaimed(value):
    """Say that no channel takes a FILTER."""
    return LeftOut.because(Why.NO_CHANNEL, file="one.yaml", filter=value)


def test_channel_without_lights_is_told_with_the_filters_seen(desk):
    """A channel that no light feeds is told at its line, with the filters that nobody takes."""
    loaded = desk.load()
    lost = unclaimed("Hx")
    frames = [frame("light", "ha"), frame("flat", "g"), frame("unused", "", lost)]
    empty = LeftOut.because(Why.UNREADABLE, found="is empty (0 bytes)")
    frames += [frame("unused", "", lost), frame("unused", "", empty)]
    frames += [frame("unused", "", unclaimed(""))]
    assert check_against_sheet(loaded, frames) == [
        "config/projects/one.yaml:6: channels.g: no usable light has a FILTER that feeds it "
        "(sought: 'G'); frames that no channel takes have FILTER = 'Hx' (2 files), "
        "no FILTER (1 files); correct 'filters', or take the channel out"
    ]


def test_lights_without_a_channel_alone_are_no_problem(desk):
    """Frames that no channel takes do not stop a project whose channels all have lights."""
    loaded = desk.load()
    lost = unclaimed("Hx")
    frames = [frame("light", "ha"), frame("light", "g"), frame("unused", "", lost)]
    assert check_against_sheet(loaded, frames) == []


def test_a_project_of_colour_frames_is_one_sentence(desk):
    """It names the file, a frame, the card and the remedy, and no channel."""
    coloured = LeftOut.because(Why.COLOUR_SENSOR, evidence="BAYERPAT = 'RGGB'")
    frames = [frame("unused", "", coloured, "a.fits"), frame("unused", "", coloured, "b.fits")]
    (problem,) = check_against_sheet(desk.load(), [*frames, frame("bias")])
    assert problem == (
        f"config/projects/one.yaml: no light can be used: 2 of 3 files are such as a.fits, which "
        f"{sentence(coloured)}"
    )
    assert "{BAYERPAT: none}" in problem
    lights = [frame("light", "ha"), frame("light", "g")]
    assert check_against_sheet(desk.load(), [*lights, *frames]) == []


def test_shipped_recipes_serve_the_channels_they_name(desk):
    """Each shipped recipe loads with a project that has its channels."""
    text = PROJECT + "  r: {filters: [R]}\n  b: {filters: [B]}\n"
    names = sorted(path.stem for path in (CONFIG / "recipes").glob("*.yaml"))
    assert names == ["broadband-rgb", "ha-in-red", "single-channel"]
    for name in names:
        loaded = desk.load(text.replace("recipe: mine", f"recipe: {name}"))
        assert loaded.recipe.description


def test_shipped_demo_loads_but_for_its_frames(desk, tmp_path):
    """The demo's project is whole: only its raw frames have to be drawn."""
    (tmp_path / "results" / "demo-raw").mkdir(parents=True)
    for name in ("projects/demo", "recipes/ha-in-red", "equipment/demo-bench"):
        desk.write(name, (CONFIG / f"{name}.yaml").read_text())
    loaded = load_project("demo", desk.projects)
    assert list(loaded.project.channels) == ["ha", "g", "b"]
    assert loaded.raw_folders == (tmp_path / "results" / "demo-raw",)
    assert loaded.equipment.gain_e_per_adu is None


def test_config_imports_nothing_heavy():
    """Reading settings loads neither numpy nor astropy, since Snakemake does it at each start."""
    code = (
        "import sys, platefiles.config.load; "
        "print([m for m in ('numpy', 'astropy', 'numba', 'snakemake') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_further_pictures_lie_over_overrides_and_recipe(desk):
    """A picture has the recipe's settings, then the project's, then its own; rows are whole."""
    text = PROJECT + (
        "overrides: {stretch: {sky_level: 0.2}}\n"
        "pictures:\n"
        "  plain:\n"
        "  grey:\n"
        "    title: Grey\n"
        "    mapping: {red: null, green: null, blue: null, luminance: {g: 1}}\n"
        "    stretch: {saturation: 0.5}\n"
    )
    loaded = desk.load(text)
    assert list(loaded.pictures) == ["mine", "plain", "grey"]
    assert loaded.pictures["plain"].recipe == loaded.recipe
    grey = loaded.pictures["grey"]
    assert grey.title == "Grey"
    assert grey.recipe.mapping.rows == {"luminance": {"g": 1}}
    assert (grey.recipe.stretch.sky_level, grey.recipe.stretch.saturation) == (0.2, 0.5)


@pytest.mark.parametrize(
    ("picture", "problem"),
    [
        ("mine: {}", "pictures.mine: the recipe's picture is called so already; choose another"),
        ("Vivid: {}", "must be small letters, digits, - and _ only"),
        ("x: {strech: {}}", "x.strech: is no key that a picture knows - did you mean 'stretch'?"),
        ("x: {quality: {}}", "x.quality: concerns the channels, which all pictures share; give it"),
        ("x: {stretch: {sky_levl: 1}}", "sky_levl"),
        ("x: {mapping: {red: {oiii: 1}}}", "pictures.x.mapping.red.oiii: the project has no"),
        ("x: {title: ''}", "pictures.x.title: must be text of at most 200 characters"),
        ("x: [1]", "pictures.x: must be a group of keys and values"),
    ],
)
def test_further_pictures_are_checked(desk, picture, problem):
    """What cannot be right in a picture has a line of its own, with the line of the file."""
    text = PROJECT + f"pictures:\n  {picture}\n"
    (line,) = desk.problems(text)
    assert problem in line
    assert line.startswith("config/projects/one.yaml:")
