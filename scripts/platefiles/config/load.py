"""Project, recipe and equipment files, loaded and checked.

Imports stay light, because this module is loaded each time that Snakemake reads its rules.
"""

import difflib
import os
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from platefiles.config.cross_checks import (
    catalogue_problems,
    continuum_problems,
    header_fix_problems,
    mapping_problems,
    overlap_problems,
    picture_problems,
    raw_problems,
    stored_problems,
)
from platefiles.config.problems import Source, in_order, problem_lines
from platefiles.config.project import (
    NAME_PATTERN,
    PICTURE_KEYS,
    Equipment,
    LoadedProject,
    Picture,
    Project,
    fetched_star_path,
)
from platefiles.config.recipe import Recipe
from platefiles.config.yaml_file import YamlError, YamlFile, read_yaml, read_yaml_once, shown
from platefiles.core.errors import UserError
from platefiles.core.object_store import is_object_url
from platefiles.settings.colour import Mapping
from platefiles.settings.model import Settings

SHIPPED = Path(__file__).resolve().parents[3] / "config"
"""Where the recipes and equipment lie that come with the project."""

_STAND_IN = {"mapping": {"luminance": {"*": 1.0}}}

_Model = TypeVar("_Model", bound=Settings)


class ConfigError(UserError):
    """All problems of a project and of its recipe and equipment files.

    Attributes
    ----------
    problems : tuple of str
        One line each, ``file:line: key: what is wrong - did you mean 'x'?``.
    """

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


def find_projects(projects_dir: str | Path) -> list[Path]:
    """Return the project files of a folder by name, without lock files (``*.lock.yaml``)."""
    files = sorted(Path(projects_dir).glob("*.yaml"), key=lambda path: os.fsencode(path.name))
    return [path for path in files if not path.name.endswith(".lock.yaml")]


def load_project(path_or_name: str | Path, projects_dir: str | Path) -> LoadedProject:
    """Load a project with its recipe and equipment and check all of it.

    Parameters
    ----------
    path_or_name : str or Path
        The project's file, or its name without ``.yaml``.
    projects_dir : str or Path
        Folder in which a name is searched.

    Raises
    ------
    ConfigError
        With all problems of the three files.
    """
    path = _project_path(path_or_name, Path(projects_dir))
    problems: list[str] = []
    name = path.name.removesuffix(".yaml")
    if not re.fullmatch(NAME_PATTERN, name):
        problems.append(
            f"{shown(path)}: the name of the file must be small letters, digits, - and _ only, "
            "at most 40, such as 'my-target.yaml'; rename it"
        )
    file = _read(path, problems)
    if file is None:
        raise ConfigError(in_order(problems, path))
    project = _validated(Project, file.data, [Source(file)], problems)
    recipe = _effective_recipe(file, problems)
    further = _further_pictures(file, project, recipe, problems)
    equipment = _equipment(file, problems)
    folders = _raw_folders(file, problems)
    if project is not None:
        problems += overlap_problems(project, file)
        problems += catalogue_problems(project, file)
        problems += header_fix_problems(project, file)
    if problems or project is None or recipe is None or equipment is None:
        raise ConfigError(in_order(problems, path))
    return LoadedProject(
        name=name,
        path=path,
        project=project,
        recipe=recipe,
        recipe_name=project.recipe,
        equipment=equipment,
        raw_folders=folders,
        lock_path=path.with_name(f"{name}.lock.yaml"),
        further=further,
        star_path=_star_path(project, path),
        objects_path=_beside(path, project.sky.objects),
        overlay_paths={
            name: Path(os.path.normpath(path.parent / Path(given).expanduser()))
            for name, given in project.sky.overlays.items()
        },
    )


def merge(recipe: dict[str, Any], overrides: dict[str, Any]) -> dict[str, Any]:
    """Return a recipe merged with the overrides of a project, group by group.

    Rows of the mapping are replaced whole: an override of ``red`` replaces all of red, and a row
    overridden by null (``luminance: null``) is removed.

    Parameters
    ----------
    recipe, overrides : dict
        As read from YAML; neither is changed.
    """
    return _merged(recipe, overrides, whole=False)


def _merged(below: dict[str, Any], above: dict[str, Any], whole: bool) -> dict[str, Any]:
    out = dict(below)
    for key, value in above.items():
        old = out.get(key)
        if isinstance(value, dict) and isinstance(old, dict) and not whole:
            out[key] = _merged(old, value, whole=key == "mapping")
        else:
            out[key] = value
    return out


def _project_path(path_or_name: str | Path, projects_dir: Path) -> Path:
    text = os.fspath(path_or_name)
    if isinstance(path_or_name, Path) or text.endswith(".yaml") or os.sep in text:
        return Path(text).absolute()
    path = (projects_dir / f"{text}.yaml").absolute()
    if not path.exists():
        names = [found.name.removesuffix(".yaml") for found in find_projects(projects_dir)]
        msg = f"no project is called '{text}'{_did_you_mean(text, names)}"
        there = f"{shown(projects_dir)} holds {', '.join(names) or 'no project'}"
        raise ConfigError([f"{msg}; {there}"])
    return path


def _read(
    path: Path, problems: list[str], reader: Callable[[Path], YamlFile] = read_yaml
) -> YamlFile | None:
    try:
        return reader(path)
    except YamlError as error:
        problems += error.problems
        return None


def _validated(
    model: type[_Model], data: Any, sources: Sequence[Source], problems: list[str]
) -> _Model | None:
    try:
        return model.model_validate(data)
    except ValidationError as error:
        problems += problem_lines(error, model, sources)
        return None


def _effective_recipe(file: YamlFile, problems: list[str]) -> Recipe | None:
    overrides = file.data.get("overrides", {})
    if not isinstance(overrides, dict):
        return None
    above = Source(file, prefix=("overrides",))
    found = _named_file(file, "recipe", "recipes", problems)
    if found is None:
        _validated(Recipe, merge(_STAND_IN, overrides), [above], problems)
        return None
    sources = (above, Source(found))
    data = merge(found.data, overrides)
    recipe = _validated(Recipe, data, sources, problems)
    channels = file.data.get("channels")
    if isinstance(channels, dict):
        mapping = _validated(Mapping, data.get("mapping"), sources, [])
        if mapping is not None:
            problems += mapping_problems(mapping, list(channels), sources)
        if recipe is not None:
            problems += continuum_problems(recipe.continuum, list(channels), sources)
    return recipe


def _further_pictures(
    file: YamlFile, project: Project | None, own: Recipe | None, problems: list[str]
) -> dict[str, Picture]:
    """Return the further pictures; their settings override the project's and the recipe's."""
    if project is None or own is None or not project.pictures:
        return {}
    problems += picture_problems(project, file)
    found = _named_file(file, "recipe", "recipes", [])
    data = merge(found.data if found else {}, file.data.get("overrides") or {})
    pictures = {}
    for name, given in project.pictures.items():
        known = set(PICTURE_KEYS) - {"title"}
        wishes = {key: value for key, value in (given or {}).items() if key in known}
        sources = [Source(file, ("pictures", name)), Source(file, ("overrides",))]
        sources += [Source(found)] if found else []
        recipe = _validated(Recipe, merge(data, wishes), sources, problems)
        if recipe is not None:
            problems += mapping_problems(recipe.mapping, list(project.channels), sources)
            title = (given or {}).get("title", project.title)
            pictures[name] = Picture(name, str(title), recipe)
    return pictures


def _equipment(file: YamlFile, problems: list[str]) -> Equipment | None:
    if file.data.get("equipment") is None:
        return Equipment()
    found = _named_file(file, "equipment", "equipment", problems)
    if found is None:
        return None
    return _validated(Equipment, found.data, [Source(found)], problems)


def _named_file(file: YamlFile, key: str, folder: str, problems: list[str]) -> YamlFile | None:
    name = file.data.get(key)
    if not isinstance(name, str) or not re.fullmatch(NAME_PATTERN, name):
        return None
    folders = [file.path.parent.parent / folder, SHIPPED / folder]
    for place in folders:
        if (path := place / f"{name}.yaml").exists():
            return _read(path, problems, read_yaml_once)
    names = sorted({found.stem for place in folders for found in place.glob("*.yaml")})
    hint = _did_you_mean(name, names)
    there = f"there are {', '.join(names)}" if names else f"{shown(folders[0])} holds none"
    problems.append(f"{file.where([key])}: {key}: no {key} is called '{name}'{hint}; {there}")
    return None


def _beside(path: Path, given: str | None) -> Path | None:
    """Resolve a path relative to the project's file."""
    return None if given is None else Path(os.path.normpath(path.parent / Path(given).expanduser()))


def _star_path(project: Project, path: Path) -> Path | None:
    fetched = fetched_star_path(path, project.sky)
    return fetched if fetched is not None else _beside(path, project.sky.catalogue)


def _raw_folders(file: YamlFile, problems: list[str]) -> tuple[Path | str, ...]:
    given = file.data.get("raw")
    if not isinstance(given, list):
        return ()
    base = file.path.parent
    folders = [
        Path(os.path.normpath(base / Path(text).expanduser()))
        if isinstance(text, str) and not is_object_url(text)
        else None
        for text in given
    ]
    problems += raw_problems(folders, file) + stored_problems(given, file)
    places = [
        str(text).rstrip("/") if is_object_url(text) else folder
        for text, folder in zip(given, folders, strict=True)
    ]
    return tuple(place for place in places if place is not None)


def _did_you_mean(word: str, words: Sequence[str]) -> str:
    close = difflib.get_close_matches(word, words, 1)
    return f" - did you mean '{close[0]}'?" if close else ""
