"""What it takes to make a product again from its record: links to raw frames, and tasks."""

import json
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from platefiles.bindings import THREADS, Task
from platefiles.codedigest import code_digest
from platefiles.errors import UserError
from platefiles.lockfile import Lock, lock_text
from platefiles.provenance import canonical
from platefiles.raw_search import MISSING, RawFrame
from platefiles.record import Making, RawRecord, Record

RAW = "raw:"
"""What names of raw frames begin with among the inputs of a making."""

LINKS, LOGS, WORK = "links", "logs", "work"
"""Folders beside the products that are made again."""

_PACKED = (".fz", ".gz")
_DIGEST = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class Remaking:
    """The products of a record as tasks.

    Attributes
    ----------
    tasks : dict of str to Task
        By product.
    needs : dict of str to set of str
        Products that are to be there before, by product.
    """

    tasks: dict[str, Task]
    needs: dict[str, set[str]]


def remaking(record: Record, folder: str | Path) -> Remaking:
    """Turn a record into tasks in a folder.

    A step whose code is another than the recorded one gets a job that says so: nothing claims to
    be made by code that did not make it.

    Parameters
    ----------
    record : Record
    folder : path-like
        Where products go, each at its recorded place.

    Raises
    ------
    UserError
        If the record names a step that is not known, or a place that is not inside the folder.
    """
    folder = Path(folder).absolute()
    tasks, needs = {}, {}
    for product, making in record.makings.items():
        inputs = {
            name: [_path(folder, record, one) for one in members]
            for name, members in making.inputs.items()
        }
        job = json.loads(making.job)
        if job.get("pins"):
            inputs["lock"] = [str(_write_lock(folder / f"{_checked(product)}.lock.yaml", job))]
        output = str(folder / _checked(product))
        log = str(folder / LOGS / f"{product.replace('/', '_')}.log")
        tasks[product] = Task(making.step, output, inputs, _job(making, job), log)
        needs[product] = {one for m in making.inputs.values() for one in m if one in record.makings}
    return Remaking(tasks, needs)


def part_of(record: Record, products: Iterable[str]) -> Record:
    """Return what some products of a record are made from, and nothing else.

    Parameters
    ----------
    record : Record
    products : iterable of str
        Products of the record.
    """
    wanted: set[str] = set()
    waiting = list(products)
    while waiting:
        name = waiting.pop()
        if name not in wanted:
            wanted.add(name)
            if name in record.makings:
                waiting += [n for m in record.makings[name].inputs.values() for n in m]
    return Record(
        {name: making for name, making in record.makings.items() if name in wanted},
        {digest: raw for digest, raw in record.raws.items() if f"{RAW}{digest}" in wanted},
    )


def lay_links(raws: Iterable[RawFrame], folder: str | Path) -> None:
    """Make links to raw frames, by digest; an empty file stands for one that is missing.

    The steps treat an empty file as they treat any that cannot be read: as a frame to be left out,
    with the reason.

    Parameters
    ----------
    raws : iterable of RawFrame
    folder : path-like
        Folder of the products.
    """
    links = Path(folder) / LINKS
    links.mkdir(parents=True, exist_ok=True)
    for frame in raws:
        link = links / link_name(frame.raw)
        if frame.state == MISSING:
            link.touch()
        else:
            link.symlink_to(os.path.realpath(frame.path))


def link_name(raw: RawRecord) -> str:
    """File name of the link to a raw frame; its ending tells how the frame is packed."""
    if not _DIGEST.fullmatch(raw.sha256):
        msg = f"the record is damaged: '{raw.sha256}' is no digest of a raw frame"
        raise UserError(msg)
    ending = PurePosixPath(raw.name).suffix.lower()
    return f"{raw.sha256}.fits{ending if ending in _PACKED else ''}"


def altered_code(record: Record) -> dict[str, tuple[str, str]]:
    """Return the digest of the code then and now, by step, where they differ.

    Parameters
    ----------
    record : Record
    """
    found = {}
    for making in record.makings.values():
        recorded = json.loads(making.job).get("code", "")
        present = _present_code(making.step)
        if recorded != present:
            found[making.step] = (recorded, present)
    return found


def _present_code(step: str) -> str:
    return code_digest(f"{step}.py") if step in THREADS else "unknown step"


def _job(making: Making, job: dict[str, Any]) -> str:
    present = _present_code(making.step)
    if job.get("code") in (None, present):
        return making.job
    return canonical(job | {"code": present})


def _path(folder: Path, record: Record, name: str) -> str:
    if name.startswith(RAW):
        raw = record.raws.get(name.removeprefix(RAW))
        if raw is None:
            msg = f"the record is damaged: it says nothing of the raw frame {name}"
            raise UserError(msg)
        return str(folder / LINKS / link_name(raw))
    return str(folder / _checked(name))


def _checked(product: str) -> str:
    """Refuse a place outside of the folder: a record comes from strangers."""
    parts = PurePosixPath(product).parts
    if not parts or product.startswith("/") or ".." in parts or "\0" in product:
        msg = f"the record is damaged: '{product}' is no place of a product"
        raise UserError(msg)
    return product


def _write_lock(path: Path, job: Mapping[str, Any]) -> Path:
    """Write the lock file that a registration reads: its job knows what was pinned."""
    reference, width, height = job["pins"]["grid"]
    lock = Lock(reference, reference, width, height, {job["channel"]: job["pins"]["brightness"]})
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(lock_text(lock), encoding="utf-8")
    return path
