"""Raw folders looked through: every file is checked, headers are read of new or changed ones.

A cache keyed by path, size and modification time keeps what was read, so that a thousand
unchanged subs cost a thousand looks at the directory and no more.
"""

import gzip
import hashlib
import json
import os
import stat
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from platefiles.cards import Cards, HeaderError, data_bytes, image_shape, read_cards
from platefiles.errors import UserError
from platefiles.headers import KEYS
from platefiles.objectstore import is_object_url
from platefiles.slug import escape
from platefiles.wholefile import write_if_changed

ENDINGS = tuple(f"{e}{packed}" for e in (".fits", ".fit", ".fts") for packed in ("", ".fz", ".gz"))
TAIL_BYTES = 65536
_CACHE_VERSION = hashlib.sha256(repr(("1", KEYS)).encode()).hexdigest()[:16]

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
    """Cards that frames are sorted by (`platefiles.headers.KEYS`)."""
    reason: str
    """Why it cannot be read, else empty."""
    fingerprint: str
    """16 hex digits of the SHA-256 over size, headers and the last 64 KB."""

    @property
    def name(self) -> str:
        """Path inside the raw folder, printable."""
        return escape(self.inside)


def scan_folders(
    folders: Iterable[str | Path], cache: Path | None, write_cache: bool
) -> list[RawFile]:
    """Find the raw files of a project and read what their headers say.

    Parameters
    ----------
    folders : iterable of path
        Raw folders, looked through with all folders inside and through links; what is hidden
        (a leading dot) is passed over. A file that is reached twice counts once. Prefixes in object
        storage, ``s3://bucket/prefix``, come after the folders.
    cache : Path or None
        JSON file with what was read before. One that cannot be read is as good as none.
    write_cache : bool
        Write the cache if it changed; False for a dry run.

    Returns
    -------
    list of RawFile
        In the order of the folders, then of the names.

    Raises
    ------
    UserError
        If a folder is not there or cannot be looked through.
    """
    known = _load(cache)
    files, records = [], {}
    places = list(folders)
    for folder, path, inside, info in _walk(place for place in places if not is_object_url(place)):
        sign = [info.st_size, info.st_mtime_ns]
        record = known.get(path)
        if record is None or record.get("sign") != sign:
            try:
                record = {"sign": sign, **_read(path, info.st_size)}
            except FileNotFoundError:
                continue
            except OSError as error:
                files.append(_unopened(folder, path, inside, info, error))
                continue
        records[path] = record
        facts = {key: value for key, value in record.items() if key != "sign"}
        files.append(RawFile(path, folder, inside, info.st_size, info.st_mtime_ns, **facts))
    prefixes = [str(place) for place in places if is_object_url(place)]
    if prefixes:
        from platefiles.objectscan import scan_objects  # which needs this module

        for file, record in scan_objects(prefixes, known):
            files.append(file)
            records |= {file.path: record} if record else {}
    if cache is not None and write_cache and records != known:
        text = json.dumps({"version": _CACHE_VERSION, "files": records}, separators=(",", ":"))
        with suppress(OSError):  # it only saves time, and products will say that the disk is full
            write_if_changed(cache, text)
    return files


def _load(cache: Path | None) -> dict[str, _Known]:
    fields = {"sign", "width_px", "height_px", "header", "reason", "fingerprint"}
    try:
        content = json.loads(cache.read_bytes()) if cache is not None else {}
        if content.get("version") != _CACHE_VERSION:
            return {}
        return {path: known for path, known in content["files"].items() if set(known) == fields}
    except (OSError, ValueError, AttributeError, KeyError, TypeError):
        return {}


def _walk(folders: Iterable[str | Path]) -> Iterator[tuple[str, str, str, os.stat_result]]:
    seen: set[tuple[int, int]] = set()
    for folder in folders:
        root = os.path.abspath(os.fspath(folder))
        if not os.path.isdir(root):
            msg = f"there is no raw folder {escape(root)}: mend `raw` in the project's file"
            raise UserError(msg)
        if _is_new(os.stat(root), seen):
            yield from _walk_one(root, root, seen)


def _is_new(info: os.stat_result, seen: set[tuple[int, int]]) -> bool:
    place = (info.st_dev, info.st_ino)
    if place in seen and info.st_ino:
        return False
    seen.add(place)
    return True


def _walk_one(
    root: str, here: str, seen: set[tuple[int, int]]
) -> Iterator[tuple[str, str, str, os.stat_result]]:
    for name in sorted(_names(here)):
        path = os.path.join(here, name)
        try:
            info = os.stat(path)
        except OSError:  # gone meanwhile, or a link to nowhere
            continue
        is_folder = stat.S_ISDIR(info.st_mode)
        if not is_folder and not (stat.S_ISREG(info.st_mode) and name.lower().endswith(ENDINGS)):
            continue
        if not _is_new(info, seen):
            continue
        if is_folder:
            yield from _walk_one(root, path, seen)
        else:
            yield root, path, path[len(root) :].lstrip("/"), info


def _names(folder: str) -> list[str]:
    try:
        return [name for name in os.listdir(folder) if not name.startswith(".")]
    except FileNotFoundError:
        return []
    except OSError as error:
        msg = f"cannot look into the raw folder {escape(folder)}: {error.strerror}"
        raise UserError(msg) from error


def _unopened(folder: str, path: str, inside: str, info: os.stat_result, error: OSError) -> RawFile:
    """Describe a file that cannot be opened now; it is tried again next time."""
    reason = f"cannot be opened: {error.strerror or error}"
    return RawFile(path, folder, inside, info.st_size, info.st_mtime_ns, 0, 0, {}, reason, "")


def read_record(path: str, size: int, open_file: Callable[..., Any] = open) -> _Known:
    """Read what a scan keeps of one file: the fields of RawFile from its size in pixels on.

    Parameters
    ----------
    path : str
        The file.
    size : int
        Its size, bytes.
    open_file : callable
        ``open_file(path, "rb")`` opens it.
    """
    return _read(path, size, open_file)


def _read(path: str, size: int, open_file: Callable[..., Any] = open) -> _Known:
    hasher = hashlib.sha256(b"%d" % size)
    record: _Known = {"width_px": 0, "height_px": 0, "header": {}, "reason": ""}
    with open_file(path, "rb") as file:
        packed = file.read(2) == b"\x1f\x8b"
        file.seek(0)
        stream: Any = gzip.GzipFile(fileobj=file) if packed else file
        try:
            header, (width, height) = _image_header(stream, hasher, None if packed else size)
            record |= {"width_px": width, "height_px": height}
            record["header"] = {key: header[key] for key in KEYS if key in header}
        except HeaderError as error:
            record["reason"] = str(error)
        except (EOFError, zlib.error, gzip.BadGzipFile):
            record["reason"] = "is cut short or damaged: it cannot be decompressed"
        file.seek(max(0, size - TAIL_BYTES))
        hasher.update(file.read(TAIL_BYTES))
    record["fingerprint"] = hasher.hexdigest()[:16]
    return record


def _image_header(
    stream: IO[bytes], hasher: Any, size: int | None
) -> tuple[Cards, tuple[int, int]]:
    """Read the header of the first image in HDU 0 or 1, with the primary header below it."""
    primary = read_cards(stream, hasher)
    length = data_bytes(primary)
    if length:
        _check_size(size, stream.tell() + length)
        return primary, image_shape(primary)
    start = stream.tell()
    if size is not None and size <= start:
        image_shape(primary)
    try:
        extension = read_cards(stream, hasher)
    except HeaderError as error:
        msg = f"holds no image, and its first extension {error}"
        raise HeaderError(msg) from error
    kind = str(extension.get("XTENSION", "")).strip()
    if kind != "IMAGE" and extension.get("ZIMAGE") is not True:
        msg = "holds no image in its first two parts"
        raise HeaderError(msg)
    shape = image_shape(extension)
    _check_size(size, stream.tell() + data_bytes(extension))
    return {**primary, **extension}, shape


def _check_size(size: int | None, needed: int) -> None:
    if size is not None and size < needed:
        msg = f"is cut short: {size} bytes of {needed}"
        raise HeaderError(msg)
