"""Read YAML files safely, with the line of each key for messages.

Plain values follow the core schema of YAML 1.2: only ``true`` and ``false`` are switches, ``012``
is twelve, ``1e3`` is a number, and ``12:30:00`` or ``2025-03-01`` stay text. Keys are always text.
Aliases are refused, as are files over a megabyte, keys given twice, deep nesting, and characters
that no screen shows, which would act on the terminal that a message is printed on.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

import yaml

from platefiles.core.errors import UserError
from platefiles.core.safe_names import escape

MAX_BYTES = 1_000_000
MAX_DEPTH = 20
_MOST_PROBLEMS = 20

_CORE = "tag:yaml.org,2002:"
_PLAIN = (
    ("null", r"^(~|null|Null|NULL|)$", ["~", "n", "N", ""]),
    ("bool", r"^(true|True|TRUE|false|False|FALSE)$", list("tTfF")),
    ("int", r"^[-+]?[0-9]{1,18}$", list("-+0123456789")),
    (
        "float",
        r"^([-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?|[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN))$",
        list("-+.0123456789"),
    ),
)

_KNOWN_TAGS = {_CORE + name for name in ("null", "bool", "int", "float", "str", "map", "seq")}
_UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ufeff\ud800-\udfff]")
_NO_ALIAS = "a value must not begin with *; put a pattern such as '*.fits' in quotes"


class YamlError(UserError):
    """A file that cannot be read as settings.

    Attributes
    ----------
    problems : tuple of str
        One line each, ``file:line: what is wrong``.
    """

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


@dataclass(frozen=True)
class YamlFile:
    """The content of a YAML file with the line of each part."""

    path: Path
    data: dict[str, Any]
    _lines: dict[tuple[str | int, ...], int] = field(repr=False)

    def has(self, loc: Sequence[str | int]) -> bool:
        """Whether the file gives this key, such as ``("channels", "ha", "filters", 0)``."""
        return tuple(loc) in self._lines

    def line(self, loc: Sequence[str | int]) -> int | None:
        """Line of a key, or of the nearest key around it that the file gives (1-based)."""
        found = tuple(loc)
        while found and found not in self._lines:
            found = found[:-1]
        return self._lines.get(found)

    def where(self, loc: Sequence[str | int]) -> str:
        """``file:line`` of a key, or the file alone if no part of the key is given."""
        line = self.line(loc)
        return shown(self.path) if line is None else f"{shown(self.path)}:{line}"


class _Loader(yaml.SafeLoader):
    """Composes nodes only, after the core schema, without aliases and deep nesting."""

    yaml_implicit_resolvers: dict[str, Any] = {}
    depth = 0

    def compose_node(self, parent: Any, index: Any) -> Any:
        if self.check_event(yaml.AliasEvent):
            mark = self.peek_event().start_mark
            raise yaml.MarkedYAMLError(problem=_NO_ALIAS, problem_mark=mark)
        self.depth += 1
        if self.depth > MAX_DEPTH:
            msg = f"nested more than {MAX_DEPTH} deep"
            raise yaml.MarkedYAMLError(problem=msg, problem_mark=self.peek_event().start_mark)
        node = super().compose_node(parent, index)
        self.depth -= 1
        return node


for _tag, _pattern, _first in _PLAIN:
    _Loader.add_implicit_resolver(_CORE + _tag, re.compile(_pattern), _first)


def shown(path: Path) -> str:
    """Return a path for messages: relative to the working directory if it lies inside."""
    try:
        text = str(path.absolute().relative_to(Path.cwd()))
    except ValueError:
        text = str(path)
    return escape(text)


def read_yaml(path: Path) -> YamlFile:
    """Read a YAML file whose top level is keys and values.

    Parameters
    ----------
    path : Path
        File of at most a megabyte, UTF-8.

    Raises
    ------
    YamlError
        If it is missing, too large, not UTF-8, not YAML, empty, a list or a bare value, or if it
        holds a key twice, an alias, a tag, or nests too deeply.
    """
    text = _read_text(path)
    try:
        node = yaml.compose(text, Loader=_Loader)
    except yaml.YAMLError as error:
        raise YamlError([_syntax_problem(path, error)]) from None
    if node is None or (isinstance(node, yaml.ScalarNode) and node.tag == _CORE + "null"):
        raise YamlError([f"{shown(path)}: the file is empty; it must hold keys and values"])
    if not isinstance(node, yaml.MappingNode):
        kind = "a list" if isinstance(node, yaml.SequenceNode) else "a bare value"
        msg = f"{shown(path)}:{_line(node)}: the file holds {kind} where keys and values must stand"
        raise YamlError([msg])
    lines: dict[tuple[str | int, ...], int] = {}
    problems: list[str] = []
    data = _value(node, (), path, lines, problems)
    if len(problems) > _MOST_PROBLEMS:
        more = f"{shown(path)}: and {len(problems) - _MOST_PROBLEMS} more problems like these"
        problems[_MOST_PROBLEMS:] = [more]
    if problems:
        raise YamlError(problems)
    return YamlFile(path=path, data=data, _lines=lines)


def read_yaml_once(path: Path) -> YamlFile:
    """Read a YAML file and cache the content until the file changes.

    The content is shared; callers must not change it.

    Raises
    ------
    YamlError
        As `read_yaml`.
    """
    try:
        info = path.stat()
    except OSError:
        return read_yaml(path)  # which says what is wrong
    return _read_state(path, (info.st_dev, info.st_ino, info.st_size, info.st_mtime_ns))


@lru_cache(1024)
def _read_state(path: Path, state: tuple[int, ...]) -> YamlFile:
    return read_yaml(path)


def _read_text(path: Path) -> str:
    if not path.exists():
        raise YamlError([f"{shown(path)}: no such file"])
    if not path.is_file():
        raise YamlError([f"{shown(path)}: not a file"])
    try:
        with path.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except OSError as error:
        raise YamlError([f"{shown(path)}: cannot be read ({error.strerror})"]) from None
    if len(raw) > MAX_BYTES:
        raise YamlError([f"{shown(path)}: larger than 1 MB, so this is no file of settings"])
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise YamlError([f"{shown(path)}:{line}: not UTF-8 text; save it as UTF-8"]) from None


def _syntax_problem(path: Path, error: yaml.YAMLError) -> str:
    if not isinstance(error, yaml.MarkedYAMLError):
        return f"{shown(path)}: not a text file (it holds control characters)"
    mark = error.problem_mark or error.context_mark
    where = shown(path) if mark is None else f"{shown(path)}:{mark.line + 1}"
    problem = error.problem or "cannot be understood"
    if "alias" in (error.context or ""):
        problem = _NO_ALIAS
    elif "'\\t'" in problem or (mark is not None and _at_tab(mark)):
        problem = "a tab is not allowed here; indent with blanks"
    return f"{where}: not valid YAML: {escape(problem)}"


def _at_tab(mark: yaml.Mark) -> bool:
    return (mark.buffer or "")[mark.pointer : mark.pointer + 1] == "\t"


def _line(node: yaml.Node) -> int:
    return int(node.start_mark.line) + 1


def _value(
    node: yaml.Node,
    loc: tuple[str | int, ...],
    path: Path,
    lines: dict[tuple[str | int, ...], int],
    problems: list[str],
) -> Any:
    if node.tag not in _KNOWN_TAGS:
        problems.append(
            f"{shown(path)}:{_line(node)}: the tag {escape(str(node.tag))} is not taken here"
        )
        return None
    if isinstance(node, yaml.MappingNode):
        return _mapping(node, loc, path, lines, problems)
    if isinstance(node, yaml.ScalarNode) and _UNSEEN.search(node.value):
        where = f"{shown(path)}:{_line(node)}"
        problems.append(f"{where}: a value holds a character that cannot be seen; take it out")
        return None
    if isinstance(node, yaml.SequenceNode):
        out = []
        for index, child in enumerate(node.value):
            lines[*loc, index] = _line(child)
            out.append(_value(child, (*loc, index), path, lines, problems))
        return out
    return _scalar(str(node.value), node.tag.removeprefix(_CORE))


def _scalar(text: str, kind: str) -> str | int | float | bool | None:
    try:
        match kind:
            case "null":
                return None
            case "bool":
                return text.lower() == "true"
            case "int":
                return int(text)
            case "float":
                return float(text.lower().replace(".inf", "inf").replace(".nan", "nan"))
    except ValueError:
        return text
    return text


def _mapping(
    node: yaml.MappingNode,
    loc: tuple[str | int, ...],
    path: Path,
    lines: dict[tuple[str | int, ...], int],
    problems: list[str],
) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key_node, value_node in node.value:
        where = f"{shown(path)}:{_line(key_node)}"
        if not isinstance(key_node, yaml.ScalarNode):
            problems.append(f"{where}: a key must be a word, not a list or a group of keys")
            continue
        key = str(key_node.value)
        if _UNSEEN.search(key):
            problems.append(f"{where}: a key holds a character that cannot be seen; take it out")
            continue
        if key in out:
            full = ".".join(map(str, (*loc, key)))
            problems.append(f"{where}: {full}: given twice, first in line {lines[*loc, key]}")
            continue
        lines[*loc, key] = _line(key_node)
        out[key] = _value(value_node, (*loc, key), path, lines, problems)
    return out
