"""The plan to make a product again from its record: links to raw frames, and tasks."""

import json
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from platefiles.audit.raw_search import MISSING, RawFrame
from platefiles.audit.run_step import Task
from platefiles.core.errors import UserError
from platefiles.core.hashing import canonical
from platefiles.core.safe_names import escape
from platefiles.provenance.activities import RAW, TEXT, Making, RawRecord, Record
from platefiles.provenance.code_digests import code_digest
from platefiles.rule_files.rule_text import rules_by_step

LINKS, TEXTS, LOGS, WORK = "links", "texts", "logs", "work"
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
        Prerequisite products, by product.
    """

    tasks: dict[str, Task]
    needs: dict[str, set[str]]


def remaking(record: Record, folder: str | Path) -> Remaking:
    """Turn a record into tasks in a folder.

    If a step's code differs from the recorded code, its job says so: no product claims to be made
    by code that did not make it.

    Parameters
    ----------
    record : Record
    folder : path-like
        Folder for the products, each at its recorded path.

    Raises
    ------
    UserError
        If the record names an unknown step, or a path outside the folder.
    """
    folder = Path(folder).absolute()
    tasks, needs = {}, {}
    for product, making in record.makings.items():
        output = folder / _checked(product)
        inputs = {
            name: [_path(folder, record, making, one) for one in members]
            for name, members in making.inputs.items()
        }
        log = str(folder / LOGS / f"{product.replace('/', '_')}.log")
        tasks[product] = Task(making.step, str(output), inputs, _job(making), log)
        needs[product] = set(making.products)
    return Remaking(tasks, needs)


def write_texts(record: Record, folder: str | Path) -> None:
    """Write the files whose text the record itself holds, such as the pins of a lock file.

    Parameters
    ----------
    record : Record
    folder : path-like
        Folder of the products.
    """
    for making in record.makings.values():
        for key, text in making.texts.items():
            path = Path(folder) / text_path(making, key)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")


def text_path(making: Making, key: str) -> str:
    """Return the path of the text of a making, relative to the folder of the products."""
    return _checked(f"{TEXTS}/{making.product}.{key}")


def lay_links(raws: Iterable[RawFrame], folder: str | Path) -> None:
    """Make links to raw frames, by digest; an empty file stands for a missing frame.

    The steps treat an empty file as an unreadable frame: it is left out, with the reason.

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
    """Return the file name of the link to a raw frame; its extension names the compression."""
    if not _DIGEST.fullmatch(raw.sha256):
        msg = f"the record is damaged: '{escape(raw.sha256)}' is no digest of a raw frame"
        raise UserError(msg)
    ending = PurePosixPath(raw.name).suffix.lower()
    return f"{raw.sha256}.fits{ending if ending in _PACKED else ''}"


def _present_code(step: str) -> str:
    return code_digest(f"{step}.py") if step in rules_by_step() else "unknown step"


def _job(making: Making) -> str:
    job = json.loads(making.job)
    present = _present_code(making.step)
    if job.get("code") in (None, present):
        return making.job
    return canonical(job | {"code": present})


def _path(folder: Path, record: Record, making: Making, name: str) -> str:
    if name.startswith(RAW):
        raw = record.raws.get(name.removeprefix(RAW))
        if raw is None:
            msg = f"the record is damaged: it says nothing of the raw frame {escape(name)}"
            raise UserError(msg)
        return str(folder / LINKS / link_name(raw))
    if name.startswith(TEXT):
        return str(folder / text_path(making, name.removeprefix(TEXT)))
    return str(folder / _checked(name))


def _checked(product: str) -> str:
    """Refuse a path outside the folder or among the code to be run: a record is untrusted input."""
    parts = PurePosixPath(product).parts
    hidden = any(part.startswith(".") for part in parts)
    if not parts or parts[0] in ("/", "//", LINKS, LOGS, WORK) or hidden or "\0" in product:
        msg = f"the record is damaged: '{escape(product)}' is no place of a product"
        raise UserError(msg)
    return product
