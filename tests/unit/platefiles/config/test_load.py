import subprocess
import sys
from types import SimpleNamespace

import pytest
from unit.platefiles.config.desk import CONFIG, PROJECT

from platefiles.config.cross_checks import check_against_sheet
from platefiles.config.load import find_projects, load_project, merge
from platefiles.config.project import Channel, Equipment
from platefiles.frames.left_out import LeftOut, Why
from platefiles.frames.left_out_sentences import sentence
from platefiles.settings.integration import Integration


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
    """An override replaces a value of the recipe and keeps all others."""
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


def test_locks_are_no_projects(desk):
    """Pinned grids beside project files are not taken for projects."""
    for name in ("b", "a", "a.lock"):
        desk.write(f"projects/{name}", PROJECT)
    assert [path.name for path in find_projects(desk.projects)] == ["a.yaml", "b.yaml"]


def frame(role, channel="", left_out=None, name=""):
    """Return the part of a frame that the check needs."""
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
        ("x: {strech: {}}", "x.strech: is not a key of a picture - did you mean 'stretch'?"),
        ("x: {quality: {}}", "x.quality: concerns the channels, which all pictures share; give it"),
        ("x: {stretch: {sky_levl: 1}}", "sky_levl"),
        ("x: {mapping: {red: {oiii: 1}}}", "pictures.x.mapping.red.oiii: the project has no"),
        ("x: {title: ''}", "pictures.x.title: must be text of at most 200 characters"),
        ("x: [1]", "pictures.x: must be a group of keys and values"),
    ],
)
def test_further_pictures_are_checked(desk, picture, problem):
    """Each invalid setting of a picture has a separate line with the line of the file."""
    text = PROJECT + f"pictures:\n  {picture}\n"
    (line,) = desk.problems(text)
    assert problem in line
    assert line.startswith("config/projects/one.yaml:")
