"""Validation errors of the models as lines with file, line, key and a suggestion."""

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from platefiles.config.project import Equipment, Project
from platefiles.config.recipe import Recipe
from platefiles.config.yaml_file import YamlFile, shown
from platefiles.core.object_store import is_object_url

RENAMED = {
    "keep": "keep_subs",
    "white_share": "white_clip_fraction",
    "colour_lift": "max_chroma_gain",
    "neutral_background": "grey_sky",
}
"""Keys of earlier versions, and what they are called now."""

_MESSAGES = {
    "missing": "is required and missing",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "dict_type": "must be a group of keys and values",
    "model_type": "must be a group of keys and values",
    "list_type": "must be a list, such as [one, two]",
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "string_type": "must be text; put it in quotes",
    "finite_number": "must be a finite number",
    "string_too_short": "must not be empty",
    "string_too_long": "must be at most {max_length} characters",
    "too_short": "must not be empty",
    "greater_than": "must be greater than {gt}",
    "greater_than_equal": "must be at least {ge}",
    "less_than": "must be less than {lt}",
    "less_than_equal": "must be at most {le}",
    "literal_error": "must be {expected}",
}
_PATTERNS = {
    r"^[a-z0-9][a-z0-9_-]{0,39}$": "must be small letters, digits, - and _ only, at most 40",
    r"^[a-z0-9_]{1,20}$": "must be small letters, digits and _ only, at most 20",
    r"^[A-Z0-9_-]{1,8}$": "must be a FITS keyword: at most 8 capitals, digits, - and _",
}

_PLACE = re.compile(r"(?P<file>.*?\.yaml)(:(?P<line>\d+))?: ")
_MOST_HOMES = 3


@dataclass(frozen=True)
class Source:
    """A file with a part of the checked settings, and the key of that part."""

    file: YamlFile
    prefix: tuple[str, ...] = ()


def locate(sources: Sequence[Source], loc: Sequence[str | int]) -> str:
    """Return ``file:line`` of a key in the first source that gives it, else in the last source."""
    for source in sources:
        if source.file.has((*source.prefix, *loc)):
            return source.file.where((*source.prefix, *loc))
    last = sources[-1]
    return last.file.where((*last.prefix, *loc))


def key_name(sources: Sequence[Source], loc: Sequence[str | int]) -> str:
    """Return a key as written in its file, dotted, with list positions counted from 1."""
    prefix: tuple[str, ...] = ()
    for source in sources:
        if source.file.has((*source.prefix, *loc)):
            prefix = source.prefix
            break
    parts = [f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in (*prefix, *loc)]
    return "".join(parts).removeprefix(".")


def problem_lines(
    error: ValidationError, model: type[BaseModel], sources: Sequence[Source]
) -> list[str]:
    """Return one line for each validation error.

    Parameters
    ----------
    error : pydantic.ValidationError
        The validation error.
    model : type
        The model, from which suggestions are taken.
    sources : sequence of Source
        Files that the settings came from; the first that gives a key is named.
    """
    found = []
    for detail in error.errors(include_url=False, include_context=True):
        loc = tuple(part for part in detail["loc"] if part != "[key]")
        line = sources[-1].file.line(loc) or 0
        text = f"{locate(sources, loc)}: {key_name(sources, loc)}: "
        given = [one.prefix for one in sources if one.file.has((*one.prefix, *loc))]
        text += _said(detail, loc, model, in_overrides=given[:1] == [("overrides",)])
        found.append((line, text))
    return [text for _, text in sorted(found, key=lambda item: item[0])]


def in_order(problems: Sequence[str], first: Path) -> list[str]:
    """Return problems file by file and line by line, each once.

    Parameters
    ----------
    problems : sequence of str
        Lines ``file:line: what is wrong``, or ``file: what is wrong`` of a file as a whole.
    first : Path
        The file listed first; the others follow in order of first mention.
    """
    found = [(_PLACE.match(text), text) for text in dict.fromkeys(problems)]
    places = [(m["file"] if m else "", int(m["line"] or 0) if m else 0, t) for m, t in found]
    files = list(dict.fromkeys([shown(first), *(place[0] for place in places)]))
    return [
        text for *_, text in sorted(places, key=lambda place: (files.index(place[0]), place[1]))
    ]


def _said(
    detail: ErrorDetails,
    loc: tuple[str | int, ...],
    model: type[BaseModel],
    in_overrides: bool,
) -> str:
    kind, value = detail["type"], detail["input"]
    context = detail.get("ctx", {})
    if kind == "extra_forbidden":
        return "unknown setting" + _suggest_key(str(loc[-1]), loc[:-1], model, in_overrides)
    if kind == "value_error":
        return str(context.get("error", detail["msg"]))
    if kind == "string_pattern_mismatch":
        said = _PATTERNS.get(str(context.get("pattern")), detail["msg"])
    else:
        said = _MESSAGES.get(kind, detail["msg"].replace("Input should be", "must be"))
        said = said.format(**context) if kind in _MESSAGES else said
    if kind in ("missing", "too_short", "string_too_short"):
        return said
    return f"{said} (got {_short(value)})" + _suggest_choice(value, context)


def _short(value: Any) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a group of keys"
    if isinstance(value, list):
        return "a list"
    if is_object_url(value):
        return "an object-storage URL"  # somebody may have put credentials into it
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}…"


def _suggest_choice(value: Any, context: dict[str, Any]) -> str:
    if not isinstance(value, str) or "expected" not in context:
        return ""
    choices = re.findall(r"'([^']*)'", str(context["expected"]))
    close = difflib.get_close_matches(value.lower(), choices, 1)
    return f" - did you mean '{close[0]}'?" if close else ""


def _suggest_key(
    key: str, loc: tuple[str | int, ...], model: type[BaseModel], in_overrides: bool
) -> str:
    if key.lower() in RENAMED:
        return f"; it is called {RENAMED[key.lower()]} now"
    here = _model_at(model, loc)
    others = homes(key.lower(), model, in_overrides)
    if others:
        return f"; {key.lower()} belongs {' or '.join(others)}"
    close = difflib.get_close_matches(key.lower(), list(here.model_fields), 1) if here else []
    if not close:
        every = {name.rsplit(".", 1)[-1]: name for name in reversed(_dotted(model))}
        near = difflib.get_close_matches(key.lower(), list(every), 1, cutoff=0.8)
        close = [every[near[0]]] if near else []
    return f" - did you mean '{close[0]}'?" if close else ""


def homes(key: str, model: type[BaseModel], in_overrides: bool = False) -> list[str]:
    """Return the groups that have a key, the nearest first, as the end of a sentence.

    Parameters
    ----------
    key : str
    model : type
        The model that rejects the key.
    in_overrides : bool
        Whether the model is that of `overrides` in a project's file.
    """
    found = []
    kinds: list[type[BaseModel]] = [Project, Recipe, Equipment]
    for kind in sorted(kinds, key=lambda kind: kind is not model):
        groups = [name.rpartition(".")[0] for name in _dotted(kind) if _last(name) == key]
        for group in groups:
            keys = "".join(f" {part}:" for part in group.split(".") if part).strip()
            found.append(_home(keys, kind, model, in_overrides))
    return found[:_MOST_HOMES]


def _home(keys: str, kind: type[BaseModel], model: type[BaseModel], in_overrides: bool) -> str:
    inside = f", in {keys}" if keys else ""
    if kind is model:
        top = "at the top of overrides:" if in_overrides else "at the top of the file"
        return f"in {keys}" if keys else top
    if kind is Recipe:
        return f"in overrides: {keys}".rstrip()
    if kind is Equipment:
        return f"in the equipment file{inside}"
    return f"{'outside of overrides' if in_overrides else 'in the project file'}{inside}"


def _last(name: str) -> str:
    return name.rpartition(".")[2]


def _model_at(model: type[BaseModel], loc: tuple[str | int, ...]) -> type[BaseModel] | None:
    current: Any = model
    for part in loc:
        if _is_model(current):
            info = current.model_fields.get(str(part))
            current = info.annotation if info else None
        else:
            current = next(reversed(get_args(current)), None)
        if type(None) in get_args(current):
            current = get_args(current)[0]
    return current if _is_model(current) else None


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _dotted(model: type[BaseModel], prefix: str = "") -> list[str]:
    names = []
    for name in model.model_fields:
        names.append(prefix + name)
        alone = _model_at(model, (name,)) is not None
        inside = _model_at(model, (name,) if alone else (name, "NAME"))
        if inside is not None:
            names += _dotted(inside, f"{prefix}{name}." + ("" if alone else "NAME."))
    return names
