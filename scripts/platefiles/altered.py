"""What was around when the products of a record were made, beside what is around now."""

import json
from collections.abc import Iterator

from platefiles.bindings import THREADS
from platefiles.codedigest import code_digest
from platefiles.provenance import VERSION, lock_digest, software
from platefiles.record import Record

Altered = tuple[str, str, str]
"""What, how it was, how it is."""


def altered(record: Record) -> list[Altered]:
    """Return code, versions and lock that are not what they were.

    Parameters
    ----------
    record : Record

    Returns
    -------
    list of (str, str, str)
        What, as recorded, as it is here; each once.
    """
    makings = record.makings.values()
    found: dict[Altered, None] = {}
    for making in makings:
        now = code_digest(f"{making.step}.py") if making.step in THREADS else "no such step"
        _note(found, f"code of {making.step}", str(json.loads(making.job).get("code", now)), now)
    for making in makings:
        _note(found, "software", making.creator, f"platelog {VERSION}")
        for what, then, now in _versions(making.software, software()):
            _note(found, what, then, now)
        _note(found, "lock of the environment", making.lock, lock_digest())
    return list(found)


def _note(found: dict[Altered, None], what: str, then: str, now: str) -> None:
    if then != now:
        found[(what, then, now)] = None


def _versions(then: str, now: str) -> Iterator[Altered]:
    """Yield the libraries of two texts as `provenance.software` writes them, with both versions."""
    texts = [dict(part.rsplit(" ", 1) for part in text.split("; ") if " " in part)
             for text in (then, now)]  # fmt: skip
    for name in dict.fromkeys([*texts[0], *texts[1]]):
        yield name, texts[0].get(name, "none"), texts[1].get(name, "none")
