"""Paths with wildcards, as rules name them."""

import re
from collections.abc import Mapping
from functools import cached_property
from string import Formatter
from typing import Any


class PathPattern:
    """A path with wildcards in braces.

    Parameters
    ----------
    text : str
        Such as ``results/{project}/sky/{channel}.fits``.
    constraints : mapping of str to str
        Regular expressions of wildcards; others match a safe name: letters, digits, ``_`` and
        ``-``.
    """

    def __init__(self, text: str, constraints: Mapping[str, str]):
        self.text = text
        self._constraints = dict(constraints)

    @cached_property
    def wildcards(self) -> tuple[str, ...]:
        """Names of the wildcards in their order."""
        return tuple(name for _, name, _, _ in Formatter().parse(self.text) if name)

    @property
    def inside(self) -> str:
        """The part inside the results of a project."""
        return self.text.partition("{project}/")[2]

    @cached_property
    def _expression(self) -> re.Pattern[str]:
        parts = []
        for before, name, _, _ in Formatter().parse(self.text):
            parts.append(re.escape(before))
            if name:
                parts.append(f"(?P<{name}>{self._constraints.get(name, _anything(name))})")
        return re.compile("".join(parts))

    def match(self, path: str) -> dict[str, str] | None:
        """Return the values of the wildcards in a path; None if the path does not match."""
        found = self._expression.fullmatch(path)
        return None if found is None else found.groupdict()

    def place(self, path: str, facts: Mapping[str, Any]) -> str:
        """Return the path of a product inside the results of its project.

        Parameters
        ----------
        path : str
            The file; its last parts supply values missing in the facts.
        facts : mapping of str to any
            Values of wildcards, if they are strings: a job.
        """
        parts = self.inside.split("/")
        given = [*parts, *path.split("/")][-len(parts) :]
        told = {name: value for name, value in facts.items() if isinstance(value, str)}
        return "/".join(_filled(*pair, told) for pair in zip(parts, given, strict=True))


def _filled(part: str, given: str, facts: Mapping[str, str]) -> str:
    """Fill in one part of a path; if a wildcard is unknown, return the given part."""
    names = [name for _, name, _, _ in Formatter().parse(part) if name]
    return part.format(**facts) if all(name in facts for name in names) else given


def _anything(name: str) -> str:
    """Regular expression of a wildcard; the path of a lock file has folders."""
    return ".+" if name == "lock" else "[A-Za-z0-9_-]+"
