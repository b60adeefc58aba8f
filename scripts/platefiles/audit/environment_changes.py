"""The environment in which the products of a record were made: code, versions, pinned packages."""

import json
from collections.abc import Mapping
from typing import Self

from platefiles.provenance.activities import Record
from platefiles.provenance.code_digests import code_digest
from platefiles.provenance.header_provenance import VERSION, lock_digest, software
from platefiles.rule_files.rule_text import rules_by_step

Change = tuple[str, str, str]
"""What, how it is in the first, how it is in the second."""

_SOFTWARE, _LOCK = "software", "pinned packages"


class CodeOf(str):
    """Key of the digest of a step's code."""

    step: str

    def __new__(cls, step: str) -> Self:
        """Name the code of a step."""
        name = super().__new__(cls, f"code of {step}")
        name.step = step
        return name


def surroundings(record: Record) -> dict[str, str]:
    """Return the environment of a record's products: version or digest by name.

    Parameters
    ----------
    record : Record

    Returns
    -------
    dict of str to str
        All values, if products were made with several.
    """
    found: dict[str, dict[str, None]] = {}
    for making in record.makings.values():
        code = str(json.loads(making.job).get("code", "unknown"))
        facts = {
            CodeOf(making.step): code,
            _SOFTWARE: making.creator,
            **_versions(making.software),
            _LOCK: making.lock,
        }
        for what, value in facts.items():
            found.setdefault(what, {})[value] = None
    ordered = sorted(found, key=lambda what: not isinstance(what, CodeOf))
    return {what: " and ".join(found[what]) for what in ordered}


def present_surroundings(record: Record) -> dict[str, str]:
    """Return the present environment for the products of a record."""
    code = {
        CodeOf(step): code_digest(f"{step}.py") if step in rules_by_step() else "no such step"
        for step in dict.fromkeys(making.step for making in record.makings.values())
    }
    now = {_SOFTWARE: f"platelog {VERSION}", **_versions(software()), _LOCK: lock_digest()}
    return code | now


def changes(first: Mapping[str, str], second: Mapping[str, str]) -> list[Change]:
    """Return the differences of two environments; ``none`` for a missing entry."""
    every = dict.fromkeys([*first, *second])
    pairs = [(what, first.get(what, "none"), second.get(what, "none")) for what in every]
    return [(what, one, other) for what, one, other in pairs if one != other]


def altered(record: Record) -> list[Change]:
    """Return changed code, versions and pinned packages as (name, then, now).

    Parameters
    ----------
    record : Record
    """
    return changes(surroundings(record), present_surroundings(record))


def _versions(text: str) -> dict[str, str]:
    """Return the versions in a text as `provenance.software` writes it."""
    parts = (part.rsplit(" ", 1) for part in text.split("; ") if " " in part)
    return dict(parts)
