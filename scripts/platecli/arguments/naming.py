"""Resolve arguments of the command line to projects, their results, and files of these.

Each verb takes the name of a project, the path of its file, or a path in its results, whichever is
at hand. A word that means two different things is refused with both.
"""

import argparse
from pathlib import Path

from platecli.text.outcome import WRONG
from platefiles.config.yaml_file import shown
from platefiles.core.errors import UserError
from platefiles.jobs.run_lock import RESULTS
from platelog import ROOT

PROJECTS = ROOT / "config" / "projects"
PICTURES = (".png", ".jpg", ".tif", ".fits")
"""Endings of pictures, those to look at first."""


class WrongCommand(UserError):
    """An invalid command; nothing was started."""

    status = WRONG


def add_directory(parser: argparse.ArgumentParser) -> None:
    """Declare the folder of results."""
    parser.add_argument(
        "--directory",
        type=Path,
        default=ROOT,
        help="folder that holds results (default: the checkout)",
    )


def project_word(word: str, directory: Path = ROOT) -> str:
    """Return the name of a project of ``config/projects``, or the absolute path of its file.

    Parameters
    ----------
    word : str
        A name, the path of a project file with or without extension, or a path in the results.
    directory : Path
        Where the folder of results lies.

    Raises
    ------
    WrongCommand
        If the project is missing or ambiguous.
    """
    by_name = None if _is_path(word) else PROJECTS / f"{word}.yaml"
    by_path = _project_at(word, directory)
    found = [path for path in (by_name, by_path) if path is not None and path.is_file()]
    if len({*found}) > 1:
        both = " and a path of ".join(map(shown, found))
        msg = f"'{word}' is the project {both}; give the path of one of the two files"
        raise WrongCommand(msg)
    if not found:
        raise WrongCommand(_no_project(word))
    return found[0].stem if found[0].parent == PROJECTS else str(found[0])


def results_word(word: str | Path, directory: Path = ROOT) -> Path:
    """Return the path for a word: the word itself, or the results folder of a project.

    Parameters
    ----------
    word : str or Path
        A path, or a project as for `project_word`.
    directory : Path
        Where the folder of results lies.

    Raises
    ------
    WrongCommand
        If neither a path nor a project matches, if both do, or if there are no results yet.
    """
    path, word = Path(word), str(word)
    project = _project_name(word)
    folder = directory / RESULTS / project if project else None
    if path.exists() and path.suffix != ".yaml":
        if folder is not None and not (folder.exists() and folder.samefile(path)):
            msg = (
                f"'{word}' is a project and a path; write {shown(folder)} or "
                f"{path.absolute()}, whichever is meant"
            )
            raise WrongCommand(msg)
        return path
    if folder is None:
        raise WrongCommand(_no_file(word) if _is_path(word) else _no_project(word))
    if not folder.is_dir():
        msg = f"{shown(folder)}: no results yet; `platelog.py run {word}` makes them"
        raise WrongCommand(msg)
    return folder


def file_word(word: str | Path, directory: Path = ROOT) -> Path:
    """Return the file for a word: the word itself, or the first picture of a project.

    The first picture is that of the project's recipe, preferably as PNG.

    Raises
    ------
    WrongCommand
        As `results_word`; or if there is no picture, or the choice is ambiguous.
    """
    place = results_word(word, directory)
    if not place.is_dir():
        return place
    found = [path for path in (place / "picture").glob("*") if path.suffix in PICTURES]
    own = _recipe_of(str(word), place)
    names = sorted({path.name.split(".")[0] for path in found})
    chosen = own if own in names else names[0] if len(names) == 1 else ""
    if not found:
        msg = f"{place}: holds no picture; name one file, such as one of its folder channels"
        raise WrongCommand(msg)
    if not chosen:
        msg = f"{place}: holds several pictures ({', '.join(names)}); name one file"
        raise WrongCommand(msg)
    return min(
        (path for path in found if path.name.split(".")[0] == chosen),
        key=lambda path: (PICTURES.index(path.suffix), len(path.name), path.name),
    )


def _is_path(word: str) -> bool:
    return "/" in word or word.endswith((".yaml", ".fits", ".png", ".jpg", ".tif", ".svg", ".webp"))


def _project_at(word: str, directory: Path) -> Path | None:
    """Return the project file for a path of the file or in its results."""
    path = Path(word).expanduser()
    if path.suffix == ".yaml":
        return path.absolute()
    with_ending = path.with_name(f"{path.name}.yaml") if path.name else path
    if "/" in word and with_ending.is_file():
        return with_ending.absolute()
    if not path.exists():
        return None
    results, here = (directory / RESULTS).resolve(), path.resolve()
    if results not in here.parents:
        return None
    name = here.relative_to(results).parts[0]
    project = PROJECTS / f"{name}.yaml"
    if not project.is_file():
        msg = (
            f"{word}: is in the results of '{name}', which is not a project in {shown(PROJECTS)}; "
            "give the path of its project file"
        )
        raise WrongCommand(msg)
    return project


def _project_name(word: str) -> str:
    """Return the name of a project that has a file, or nothing."""
    path = Path(word)
    if word.endswith(".yaml"):
        return path.name.removesuffix(".yaml")
    if "/" in word:
        return path.name if path.name and path.with_name(f"{path.name}.yaml").is_file() else ""
    return word if (PROJECTS / f"{word}.yaml").is_file() else ""


def _recipe_of(word: str, results: Path) -> str:
    """Return the name of the recipe of a project, if its file is known and in order."""
    from platefiles.config.load import load_project  # slow to import

    try:
        known = word if word.endswith(".yaml") else results.name
        return load_project(known, PROJECTS).recipe_name
    except UserError:
        return ""


def _no_project(word: str) -> str:
    from platefiles.config.load import load_project  # slow to import

    try:
        load_project(word, PROJECTS)
    except UserError as problem:
        return str(problem)
    return _no_file(word)  # it came to be in this very moment


def _no_file(word: str) -> str:
    return f"{word}: there is no such file; give the name of a project, or the path of its file"
