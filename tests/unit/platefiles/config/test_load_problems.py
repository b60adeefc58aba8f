"""What is wrong with the files of a project is told with file, line and remedy."""

import pytest
from unit.platefiles.config.desk import PROJECT, RECIPE

from platefiles.config.load import ConfigError, load_project
from platefiles.config.problems import RENAMED, homes
from platefiles.config.project import Project
from platefiles.settings.colour import Mapping


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
            "header_fixes.*.EXPTIME: must be a number of seconds, such as 120, or '' to remove the "
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
            "pictures.warm.shoulder: is not a key of a picture; "
            "shoulder belongs in pictures: warm: stretch:",
        ),
        (
            "pictures:\n  warm: {clip_low: 3}\n",
            "pictures.warm.clip_low: is not a key of a picture; "
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
    """The error for a missing recipe or equipment lists the existing ones."""
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
    """The error for a wrong name gives the most similar name and all existing ones."""
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
