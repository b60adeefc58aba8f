"""Find the intact one among copies of one exposure.

Files of one fingerprint agree in size, headers and last bytes, and may still differ in between: a
disk that fails, or a copy that went wrong, often leaves zeros there. So they are read whole, once,
before one of them is left out.
"""

import mmap
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from platefiles.core.hashing import file_sha256
from platefiles.core.object_store import is_object_url
from platefiles.core.safe_names import digest, escape
from platefiles.frames.frame import Frame, unused
from platefiles.frames.left_out import LeftOut, Why

if TYPE_CHECKING:
    from platefiles.raw_folders.scan import RawFile

_SECTOR = 512
_SECTORS_AT_ONCE = 1 << 13


def judged_copies(files: Sequence["RawFile"]) -> list["RawFile"]:
    """Read all bytes of possible copies of one exposure, and find the damaged ones.

    Parameters
    ----------
    files : sequence of RawFile
        All files of a scan, with `pixels` compared, and with `content`, `blank_sectors` and `fault`
        from earlier scans. Objects in storage are not read.

    Returns
    -------
    list of RawFile
        In the same order, with `damage` set if a better copy exists. Among files of equal
        fingerprint and different bytes, the damaged ones are those that cannot be read to the end
        or contradict their own checksums, else those with more sectors of a single value, else
        those whose bytes occur less often. Among files of equal pixels and different fingerprints,
        they are those that cannot be read to the end.
    """
    by_path = {file.path: file for file in files}
    usable = [file for file in files if not file.reason and not is_object_url(file.path)]
    for group in _groups(usable, "fingerprint"):
        read = [_with_content(file) for file in group]
        if len({file.content for file in read}) > 1:
            read = _judged([_with_fault(file) for file in read])
        by_path |= {file.path: file for file in read}
    for group in _groups((by_path[file.path] for file in usable), "pixels"):
        if len({file.fingerprint for file in group}) == 1:
            continue
        read = [_with_fault(file) for file in group]
        if not all(file.fault for file in read):
            read = [replace(file, damage=file.damage or file.fault or "") for file in read]
        by_path |= {file.path: file for file in read}
    return [by_path[file.path] for file in files]


def copies_left_out(
    frames: Sequence[Frame], files: Mapping[str, "RawFile"], pinned: Collection[str]
) -> list[Frame]:
    """Leave out all but one of the files with one fingerprint or the same pixels.

    The first copy not known to be damaged is used. If another copy was pinned, the used one takes
    over its id and keeps its own name, so that the pin holds and its products are remade.

    Parameters
    ----------
    frames : sequence of Frame
        In order of preference.
    files : mapping of str to RawFile
        Their files by id, as `judged_copies` returns them.
    pinned : collection of str
        Ids pinned by the lock file.
    """
    ids: dict[str, str] = {}
    by_content: dict[str, Frame] = {}
    by_pixels: dict[str, Frame] = {}
    kept = []
    for frame in sorted(frames, key=lambda frame: bool(files[frame.id].damage)):
        if frame.role != "unused":
            file = files[frame.id]
            same, what = by_content.setdefault(frame.fingerprint, frame), "content"
            if same is frame:
                seen = file.pixels or frame.fingerprint
                same, what = by_pixels.setdefault(seen, frame), "pixels"
            if same is not frame:
                frame = unused(frame, _copy_of(same, what, frame, files))
                if file.damage and frame.id in pinned and same.id not in pinned:
                    ids |= {same.id: frame.id, frame.id: other_id(frame.id, file)}
        kept.append(frame)
    return [replace(frame, id=ids[frame.id]) if frame.id in ids else frame for frame in kept]


def other_id(identity: str, file: "RawFile") -> str:
    """Return an id for a file whose usual id belongs to another frame."""
    return f"{identity}_{digest(file.fingerprint + file.folder, 8)}"


def _copy_of(same: Frame, what: str, frame: Frame, files: Mapping[str, "RawFile"]) -> LeftOut:
    """Return the reason for leaving out a copy: its original, and which of the two is damaged."""
    where = same.name if same.name != frame.name else escape(same.path)
    file, other = files[frame.id], files[same.id]
    if file.damage:
        return LeftOut.because(Why.DAMAGED_COPY, other=where, damage=file.damage)
    if what == "content" and file.content != other.content:
        return LeftOut.because(Why.DIFFERENT_COPY, other=where)
    return LeftOut.because(Why.COPY, what=what, other=where)


def _groups(files: Iterable["RawFile"], name: str) -> list[list["RawFile"]]:
    """Return groups of two or more files that share a nonempty value."""
    groups: dict[str, list[RawFile]] = defaultdict(list)
    for file in files:
        groups[getattr(file, name)].append(file)
    return [group for value, group in groups.items() if value and len(group) > 1]


def _judged(files: Sequence["RawFile"]) -> list["RawFile"]:
    """Return the faults of files that should be equal, except the best one."""
    shared = Counter(file.content for file in files)

    def rank(file: "RawFile") -> tuple[bool, int, int]:
        return bool(file.fault), file.blank_sectors, -shared[file.content]

    best = min(files, key=rank)
    found = []
    for file in files:
        damage = ""
        if rank(file) != rank(best):
            more = file.blank_sectors - best.blank_sectors
            damage = file.fault or (
                f"{more * _SECTOR} bytes more than there hold one value only"
                if more
                else f"its bytes are those of {shared[file.content]} of {len(files)} copies"
            )
        found.append(replace(file, damage=damage))
    return found


def _with_content(file: "RawFile") -> "RawFile":
    if file.content:
        return file
    try:
        return replace(file, content=file_sha256(file.path)[:16])
    except OSError:  # which `_with_fault` tells
        return file


def _with_fault(file: "RawFile") -> "RawFile":
    if file.fault is not None:
        return file
    try:
        blank = _blank_sectors(file.path)
        return replace(file, blank_sectors=blank, fault=_fault(file.path))
    except OSError as error:
        said = f"cannot be read to its end: {error.strerror or error}"
        return replace(file, fault=said, unread=True)


def _blank_sectors(path: str) -> int:
    """Count the sectors of a file whose bytes are all equal."""
    import numpy as np  # which a scan without copies can do without

    count = 0
    with open(path, "rb") as file:
        while chunk := file.read(_SECTOR * _SECTORS_AT_ONCE):
            whole = len(chunk) // _SECTOR * _SECTOR
            sectors = np.frombuffer(chunk[:whole], np.uint8).reshape(-1, _SECTOR)
            count += int((sectors == sectors[:, :1]).all(axis=1).sum())
    return count


def _fault(path: str) -> str:
    """Return the reason why a raw frame cannot be read to the end, or nothing."""
    from platefiles.core.frame_errors import FrameError
    from platefiles.raw_frames.raw_frame import open_raw

    try:
        with open_raw(path):
            return _wrong_sum(path)
    except FrameError as error:
        return str(error)


def _wrong_sum(path: str) -> str:
    """Return the data that contradict the checksum in their header, or nothing."""
    from platefiles.fits.checksums import ones_complement_sum
    from platefiles.fits.hdu_layout import BrokenFits, read_blocks

    try:
        blocks = read_blocks(path)
    except BrokenFits:  # packed as a whole, or with bytes behind the last data
        return ""
    with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        for block in blocks:
            stated = block.text("DATASUM")
            with memoryview(content) as view:
                data = ones_complement_sum(view[block.data_start : block.stop])
            if stated is not None and stated.strip() != str(data):
                return f"its data contradict the DATASUM of the header of {block.name}"
    return ""
