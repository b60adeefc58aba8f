import contextlib
import re

import pytest

from platecli.arguments import naming
from platecli.arguments.naming import WrongCommand, file_word, project_word, results_word


@pytest.fixture
def desk(tmp_path, monkeypatch, write_project):
    """Make a checkout with the project `veil`, its results, and one elsewhere."""
    projects = tmp_path / "config" / "projects"
    (tmp_path / "raw").mkdir()
    write_project(projects / "veil.yaml", tmp_path / "raw")
    write_project(tmp_path / "away" / "other.yaml", tmp_path / "raw")
    for name in ("ha-in-red.png", "ha-in-red.fits", "warm.png", "ha-in-red.1200px.jpg"):
        path = tmp_path / "results" / "veil" / "picture" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    monkeypatch.setattr(naming, "PROJECTS", projects)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    "word",
    [
        "veil",
        "config/projects/veil.yaml",
        "config/projects/veil",
        "./config/projects/veil.yaml",
        "results/veil",
        "results/veil/",
        "results/veil/picture/warm.png",
    ],
)
def test_project_goes_by_name_file_and_results(desk, word):
    """Wherever a project is wanted, each of its paths is as good as its name."""
    assert project_word(word, desk) == "veil"
    assert results_word(word, desk).samefile(desk / word if "picture" in word else "results/veil")


def test_project_elsewhere_goes_by_its_path(desk):
    """What is not in config/projects keeps its path, made absolute."""
    assert project_word("away/other.yaml", desk) == str(desk / "away" / "other.yaml")
    assert project_word("away/other", desk) == str(desk / "away" / "other.yaml")


def test_results_folder_is_a_project_from_inside_as_well(desk):
    """In the folder of results the name of the project is a path too, of the same."""
    with contextlib.chdir("results"):
        assert project_word("veil", desk) == "veil"
        assert results_word("veil", desk).samefile("veil")


def test_word_with_two_meanings_is_refused_with_both(desk):
    """A folder that has the name of a project, and is not its results, is asked about."""
    (desk / "veil").mkdir()
    with pytest.raises(WrongCommand, match=r"'veil' is a project and a path; write .*results/veil"):
        results_word("veil", desk)
    assert results_word("./veil", desk).samefile("veil")
    (desk / "results" / "other").mkdir()
    (desk / "config" / "projects" / "other.yaml").touch()
    (desk / "results" / "veil" / "other").mkdir()
    with contextlib.chdir("results/veil"), pytest.raises(WrongCommand, match="is the project"):
        project_word("other", desk)


def test_results_of_an_unknown_project_ask_for_its_file(desk):
    """Results do not tell where their project file lies."""
    (desk / "results" / "other").mkdir()
    with pytest.raises(WrongCommand, match="give the path of its project file"):
        project_word("results/other", desk)
    assert results_word("away/other.yaml", desk) == desk / "results" / "other"


@pytest.mark.parametrize("of", [project_word, results_word, file_word])
def test_unknown_project_ends_alike_everywhere(desk, of):
    """One sentence and one exit status, whatever the verb wanted it for."""
    with pytest.raises(WrongCommand) as caught:
        of("veill", desk)
    assert str(caught.value) == (
        "no project is called 'veill' - did you mean 'veil'?; config/projects holds veil"
    )
    assert caught.value.status == 2


def test_file_that_is_not_there_is_no_project(desk):
    """What looks like a path is told as one."""
    with pytest.raises(WrongCommand, match=r"results/x\.png: there is no such file"):
        results_word("results/x.png", desk)
    with pytest.raises(WrongCommand, match=r"x\.yaml: no such file"):
        project_word("x.yaml", desk)


def test_project_stands_for_the_picture_of_its_recipe(desk):
    """Where a file is wanted it is that picture, as PNG if there is one."""
    assert file_word("veil", desk) == desk / "results" / "veil" / "picture" / "ha-in-red.png"
    (desk / "results" / "veil" / "picture" / "ha-in-red.png").unlink()
    assert file_word("results/veil", desk).name == "ha-in-red.1200px.jpg"


def test_picture_that_cannot_be_told_is_asked_for(desk):
    """Without the recipe's own there may be several, or none."""
    pictures = desk / "results" / "veil" / "picture"
    for path in pictures.glob("ha-in-red*"):
        path.unlink()
    assert file_word("veil", desk).name == "warm.png"
    (pictures / "cold.png").touch()
    with pytest.raises(WrongCommand, match=re.escape("several pictures (cold, warm); name one")):
        file_word("veil", desk)
    for path in pictures.iterdir():
        path.unlink()
    with pytest.raises(WrongCommand, match="holds no picture; name one file"):
        file_word("veil", desk)


def test_results_that_are_not_made_yet_name_the_command(desk):
    """The sentence tells how to make them."""
    (desk / "config" / "projects" / "new.yaml").touch()
    with pytest.raises(WrongCommand, match=r"no results yet; `platelog\.py run new` makes them"):
        results_word("new", desk)
