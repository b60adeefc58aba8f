"""Scan raw folders: check every file, and read the headers of new or changed ones.

A cache keyed by path, size and modification time keeps what was read, so that a thousand
unchanged subs cost a thousand looks at the directory and no more.
"""

import hashlib
import json
import os
import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from platefiles.core.atomic_write import write_if_changed
from platefiles.core.object_store import is_object_url
from platefiles.core.safe_names import escape
from platefiles.fits.header_cards import Cards
from platefiles.fits.header_reader import CutShort, HeaderError, Value
from platefiles.fits.keywords import READ, filters_by_hierarch
from platefiles.frames.dialects import Facts, read_facts
from platefiles.raw_folders.damaged_copies import judged_copies
from platefiles.raw_folders.folder_walk import SeenFiles
from platefiles.raw_folders.same_exposure import compared_pixels
from platefiles.raw_frames.fingerprint import read_fingerprint

SETTLE_S = 2.0
"""How long a file must have been left alone before it counts as written to its end."""
_YOUNG_S = 60.0
BEING_WRITTEN = "is still being written; the next run takes it"
_CACHE_VERSION = hashlib.sha256(repr(("1", READ)).encode()).hexdigest()[:16]

_COMPARED = ("pixels", "content", "blank_sectors")

_Known = dict[str, Any]


@dataclass(frozen=True)
class RawFile:
    """One file of a raw folder."""

    path: str
    """Absolute path, odd bytes kept as surrogates; or the URL of an object."""
    folder: str
    """The raw folder, or prefix in object storage, in which it was found."""
    inside: str
    """Path inside the raw folder, with `/`."""
    size_bytes: int
    mtime_ns: int
    width_px: int
    height_px: int
    header: Cards
    """Cards that frames are sorted by (`platefiles.fits.keywords.READ`)."""
    reason: str
    """Why it cannot be read, else empty."""
    fingerprint: str
    """16 hex digits of the SHA-256 over size, headers and the last 64 KB."""
    pixels: str = ""
    """What identifies the exposure where another file may hold the same one, else empty."""
    content: str = ""
    """16 hex digits of the SHA-256 of all bytes where another file has the fingerprint."""
    blank_sectors: int = 0
    """Sectors of 512 bytes of a single value; counted where `fault` is known."""
    fault: str | None = None
    """Why it cannot be read whole, or empty; None where nobody asked."""
    unread: bool = False
    """The disk did not give it to its end just now; the next scan tries again."""
    unfinished: bool = False
    """It ends early, as a file does that is being written."""
    damage: str = ""
    """What is wrong with a copy of which a better one is there; see `damaged_copies`."""

    @property
    def name(self) -> str:
        """Path inside the raw folder, printable."""
        return escape(self.inside)

    @cached_property
    def _facts(self) -> dict[tuple[str, str], Facts]:
        return {}

    def facts(self, fixes: Mapping[str, Value], untyped: str = "") -> Facts:
        """Return the facts of the header with the user's fixes, cached.

        Parameters
        ----------
        fixes : mapping
            Cards that override the header, see
            `platefiles.frames.fixed_header.fixes_for`.
        untyped : str
            As for `platefiles.frames.dialects.read_facts`.
        """
        key = (repr(fixes), untyped)  # as text, since True and 1 are one key of a dict
        if key not in self._facts:
            folder = os.path.basename(self.folder)
            typed = self.facts(fixes) if untyped else None
            if typed is not None and typed.role:
                return typed
            self._facts[key] = read_facts(self.header, self.inside, folder, fixes, untyped)
        return self._facts[key]


def scan_folders(
    folders: Iterable[str | Path],
    cache: Path | None,
    write_cache: bool,
    settle_s: float = 0.0,
    seen: SeenFiles | None = None,
) -> list[RawFile]:
    """Find the raw files of a project and read their headers.

    Parameters
    ----------
    folders : iterable of path
        Raw folders, searched recursively and through links; hidden names (with a leading dot) are
        skipped. A file reached twice counts once. Prefixes in object storage,
        ``s3://bucket/prefix``, come after the folders.
    cache : Path or None
        JSON file with records of earlier scans; ignored if unreadable.
    write_cache : bool
        Write the cache if it changed; False for a dry run.
    settle_s : float
        If a new file was modified less than this many seconds ago, or in the future, wait this long
        and check again.

    Returns
    -------
    list of RawFile
        In the order of the folders, then of the names. A file that changed during the wait, or a
        truncated file less than a minute old, has the reason `BEING_WRITTEN`.

    Raises
    ------
    UserError
        If a folder is not there or cannot be looked through.
    """
    known = _load(cache)
    seen = seen if seen is not None else SeenFiles()
    files, records, fresh = [], {}, []
    places = list(folders)
    on_disk = (place for place in places if not is_object_url(place))
    for folder, path, inside, info in seen.walk(on_disk):
        # A copy that was put back may have the old time; the system notes that it was written.
        sign = [info.st_size, info.st_mtime_ns, info.st_ctime_ns]
        record = next(
            (r for r in (known.get(path), seen.records.get(path)) if _fits(r, sign)), None
        )
        if record is None:
            try:
                record = {"sign": sign, **read_record(path, info.st_size)}
            except FileNotFoundError:
                continue
            except OSError as error:
                files.append(_unopened(folder, path, inside, info, error))
                continue
            fresh.append(len(files))
        records[path] = record
        facts = {key: value for key, value in record.items() if key != "sign"}
        files.append(RawFile(path, folder, inside, info.st_size, info.st_mtime_ns, **facts))
    for place in _changing(files, fresh, settle_s):
        del records[files[place].path]
        files[place] = replace(files[place], reason=BEING_WRITTEN)
    files = _compared(files, records)
    seen.records |= records
    files = [seen.shared(file) for file in files]
    prefixes = [str(place) for place in places if is_object_url(place)]
    if prefixes:
        from platefiles.raw_folders.bucket_scan import scan_objects  # which needs this module

        for file, record in scan_objects(prefixes, known):
            files.append(file)
            records |= {file.path: record} if record else {}
    if cache is not None and write_cache and records != known:
        text = json.dumps({"version": _CACHE_VERSION, "files": records}, separators=(",", ":"))
        with suppress(OSError):  # it only saves time, and products will say that the disk is full
            write_if_changed(cache, text)
    return files


def _fits(record: _Known | None, sign: list[int]) -> bool:
    """Return whether a record is of a file of this size and these times."""
    return record is not None and record.get("sign") == sign


def _compared(files: list[RawFile], records: dict[str, _Known]) -> list[RawFile]:
    """Compare files that may contain the same exposure; store the results in the records."""
    pixels = compared_pixels(files)
    if pixels:
        files = [replace(f, pixels=pixels[f.path]) if f.path in pixels else f for f in files]
    files = judged_copies(files)
    for file in files:
        told: _Known = {key: value for key in _COMPARED if (value := getattr(file, key))}
        if file.fault is not None and not file.unread:
            told["fault"] = file.fault
        if told and file.path in records:
            records[file.path] = {**records[file.path], **told}
    return files


def _changing(files: list[RawFile], fresh: list[int], settle_s: float) -> list[int]:
    """Check new files again; return the indices of files being written.

    The clock alone is not sufficient: it may be set back, and a network disk has another clock.
    """
    if not settle_s:
        return []
    now = time.time_ns()
    if any(files[place].mtime_ns > now - settle_s * 1e9 for place in fresh):
        time.sleep(settle_s)
    young = now - _YOUNG_S * 1e9
    return [place for place in fresh if _is_growing(files[place], young)]


def _is_growing(file: RawFile, young_ns: float) -> bool:
    if file.mtime_ns > young_ns and file.unfinished:
        return True
    try:
        info = os.stat(file.path)
    except OSError:  # gone; whoever needs it will say so
        return False
    return (info.st_size, info.st_mtime_ns) != (file.size_bytes, file.mtime_ns)


def _load(cache: Path | None) -> dict[str, _Known]:
    fields = {"sign", "width_px", "height_px", "header", "reason", "fingerprint"}
    try:
        content = json.loads(cache.read_bytes()) if cache is not None else {}
        if content.get("version") != _CACHE_VERSION:
            return {}
        return {path: known for path, known in content["files"].items() if fields <= set(known)}
    except (OSError, ValueError, AttributeError, KeyError, TypeError):
        return {}


def _unopened(folder: str, path: str, inside: str, info: os.stat_result, error: OSError) -> RawFile:
    """Return a `RawFile` for a file that cannot be opened now; the next scan tries again."""
    reason = f"cannot be opened: {error.strerror or error}"
    return RawFile(path, folder, inside, info.st_size, info.st_mtime_ns, 0, 0, {}, reason, "")


def read_record(path: str, size: int, open_file: Callable[..., Any] = open) -> _Known:
    """Read the record of one file: the fields of RawFile from its size in pixels on.

    Parameters
    ----------
    path : str
        The file.
    size : int
        Its size, bytes.
    open_file : callable
        ``open_file(path, "rb")`` opens it.
    """
    with open_file(path, "rb") as file:
        fingerprint, found = read_fingerprint(file, size)
    record: _Known = {"width_px": 0, "height_px": 0, "header": {}, "reason": ""}
    if isinstance(found, HeaderError):
        record |= {"reason": str(found), "unfinished": isinstance(found, CutShort)}
    else:
        record |= {"width_px": found.width_px, "height_px": found.height_px}
        kept = (*READ, *filters_by_hierarch(found.cards))
        record["header"] = {key: found.cards[key] for key in kept if key in found.cards}
    return record | {"fingerprint": fingerprint}
