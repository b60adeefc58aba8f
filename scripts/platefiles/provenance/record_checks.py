"""Check that a run can have written a record, since records may come from strangers."""

import json
import re
from typing import Any

from platefiles.provenance.activities import TEXT, Making, RawRecord, Record

LONGEST_CHAIN = 100
"""Steps from a raw frame to a picture are a dozen; no record has more than so many in a row."""

_DEEPEST = 20
_LONGEST_TEXT = 10_000
_PRODUCT = re.compile(
    r"[A-Za-z0-9_+-][A-Za-z0-9_.+-]{0,199}(/[A-Za-z0-9_+-][A-Za-z0-9_.+-]{0,199}){0,9}"
)
_WORD = re.compile(r"[a-z][a-z0-9_]{0,39}")
_DIGEST = re.compile(r"[0-9a-f]{64}")
_MOST_BYTES = 1 << 62


class OddRecord(ValueError):
    """An invalid record; the message names the fault."""


def check_record(record: Record) -> None:
    """Check that a record could have been written by a run.

    Each making names only earlier entries, so there is no cycle; names are valid paths; texts are
    Unicode; jobs have the common keys.

    Raises
    ------
    OddRecord
        With the fault.
    """
    for raw in record.raws.values():
        _check_raw(raw)
    depths: dict[str, int] = {}
    for product, making in record.makings.items():
        _check_names(making)
        _check_job(making)
        below = making.products
        if not depths.keys() >= set(below):
            _refuse("a product is made from what comes later, or from itself")
        if not record.raws.keys() >= set(making.raws):
            _refuse("a raw frame is not listed")
        depths[product] = 1 + max((depths[name] for name in below), default=0)
        if depths[product] > LONGEST_CHAIN:
            _refuse(f"more than {LONGEST_CHAIN} products are made from one another in a row")


def _check_raw(raw: RawRecord) -> None:
    if not _DIGEST.fullmatch(raw.sha256):
        _refuse("the digest of a raw frame is none")
    if not isinstance(raw.size_bytes, int) or not 0 <= raw.size_bytes < _MOST_BYTES:
        _refuse("the size of a raw frame is none")
    for text in (raw.name, raw.kind, raw.fingerprint):
        _check_text(text)


def _check_names(making: Making) -> None:
    named = [name for names in making.inputs.values() for name in names]
    texts = [name.removeprefix(TEXT) for name in named if name.startswith(TEXT)]
    products = [making.product, *making.products]
    if not all(_PRODUCT.fullmatch(name) for name in products):
        _refuse("a product has an odd name")
    if not all(_WORD.fullmatch(key) for key in (making.step, *making.inputs, *making.texts)):
        _refuse("a step or an input has an odd name")
    if not making.texts.keys() >= set(texts):
        _refuse("a text is missing")
    digests = [making.digest] if making.digest else []
    if not all(map(_DIGEST.fullmatch, [*digests, *making.data.values()])):
        _refuse("the digest of a product is none")
    for text in (making.creator, making.lock, making.software, *making.data):
        _check_text(text)
    for text in making.texts.values():
        text.encode("utf-8")


def _check_job(making: Making) -> None:
    job = json.loads(making.job)
    if not isinstance(job, dict) or not isinstance(job.get("settings"), dict):
        _refuse("a job has no settings")
    if not isinstance(job.get("code", ""), str):
        _refuse("a job does not tell its code")
    rows = [row for key in ("subs", "frames") for row in _list(job.get(key, []))]
    if not all(isinstance(row, dict) for row in (*rows, job.get("sub") or {})):
        _refuse("a job lists a sub that is none")
    _check_depth(job, _DEEPEST)


def _list(given: Any) -> list[Any]:
    if not isinstance(given, list):
        _refuse("a job has no list where one must be")
    return list(given)


def _check_depth(value: Any, left: int) -> None:
    if left == 0:
        _refuse("a job is nested too deeply")
    inside = value.values() if isinstance(value, dict) else value
    for one in inside if isinstance(value, (dict, list)) else ():
        _check_depth(one, left - 1)


def _check_text(text: str) -> None:
    if len(text) > _LONGEST_TEXT or not text.isprintable():
        _refuse("a text is too long or does not print")


def _refuse(what: str) -> None:
    raise OddRecord(what)
