"""Scan raw frames in object storage."""

import io
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from platefiles.core.errors import UserError
from platefiles.core.object_store import (
    READERS,
    ObjectError,
    RangedReader,
    StoredObject,
    list_objects,
    split_url,
    storage_client,
)
from platefiles.core.safe_names import escape
from platefiles.raw_folders.folder_walk import ENDINGS
from platefiles.raw_folders.scan import RawFile, read_record
from platefiles.raw_frames.fingerprint import TAIL_BYTES

Record = dict[str, Any]


def scan_objects(
    prefixes: Iterable[str], known: Mapping[str, Record]
) -> Iterator[tuple[RawFile, Record | None]]:
    """Find the raw frames below prefixes and read the headers of new or changed ones.

    Two requests per new object, for its first and its last 64 KB, give the same facts as a file on
    disk, including the fingerprint.

    Parameters
    ----------
    prefixes : iterable of str
        ``s3://bucket/prefix``. Hidden names (with a leading dot) are skipped; an object reached
        twice counts once.
    known : mapping
        Records of earlier scans, by URL.

    Yields
    ------
    file : RawFile
        In the order of the prefixes, then of the names.
    record : dict or None
        Record for the cache; None if the object could not be read now.

    Raises
    ------
    UserError
        If the storage cannot be reached or a prefix is empty.
    """
    client = storage_client()
    found = _found(client, prefixes)
    new = [stored for _, stored in found if _sign(stored) != known.get(stored.url, {}).get("sign")]
    with ThreadPoolExecutor(READERS) as pool:
        read = pool.map(lambda stored: _read(client, stored), new)
        records = dict(zip((stored.url for stored in new), read, strict=True))
    for folder, stored in found:
        record = records.get(stored.url) or known[stored.url]
        facts = {key: value for key, value in record.items() if key != "sign"}
        file = RawFile(
            path=stored.url,
            folder=folder,
            inside=stored.url[len(folder) :].lstrip("/"),
            size_bytes=stored.size_bytes,
            mtime_ns=stored.mtime_ns,
            **facts,
        )
        yield file, record if record["fingerprint"] else None


def _found(client: Any, prefixes: Iterable[str]) -> list[tuple[str, StoredObject]]:
    found: dict[str, tuple[str, StoredObject]] = {}
    for folder in prefixes:
        there = list_objects(client, folder)
        if not there:
            msg = f"there is nothing in {escape(folder)}: correct `raw` in the project's file"
            raise UserError(msg)
        above = len(split_url(folder)[1])
        for stored in there:
            inside = stored.key[above:].split("/")
            hidden = any(name.startswith(".") for name in inside)
            if inside[-1].lower().endswith(ENDINGS) and not hidden:
                found.setdefault(stored.url, (folder, stored))
    return list(found.values())


def _sign(stored: StoredObject) -> list[int | str]:
    return [stored.size_bytes, stored.etag or stored.mtime_ns]


def _read(client: Any, stored: StoredObject) -> Record:
    """Read the record of an object; an unreadable object gets a reason and no fingerprint."""

    def opened(path: str, mode: str) -> io.BufferedReader:
        return io.BufferedReader(RangedReader(client, stored), TAIL_BYTES)

    try:
        record = read_record(stored.url, stored.size_bytes, opened)
    except ObjectError as problem:
        reason = f"cannot be opened: {str(problem).removeprefix(escape(stored.url))[2:]}"
        record = {"width_px": 0, "height_px": 0, "header": {}, "reason": reason, "fingerprint": ""}
    return {"sign": _sign(stored), **record}
