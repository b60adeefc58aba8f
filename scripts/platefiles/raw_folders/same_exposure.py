"""Find files of the same exposure: compressed and plain, or with an edited header.

Equal bytes have equal fingerprints. What is packed otherwise, or got a card more, is found by
content: frames whose headers give one start, exposure, size and camera are compared by the noise
of their first rows, which no two exposures share. Only such frames are opened, once each.
"""

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from platefiles.core.object_store import is_object_url
from platefiles.core.safe_names import stem_of
from platefiles.fits import keywords
from platefiles.fits.header_reader import Value

if TYPE_CHECKING:
    from platefiles.raw_folders.scan import RawFile

_ROWS = 32
_DATES = (*keywords.DATE, *keywords.MJD)
_COMPARED = (*_DATES, *keywords.TIME, *keywords.EXPOSURE, *keywords.CAMERA)
_UNREADABLE = "unreadable "


def compared_pixels(files: Sequence["RawFile"]) -> dict[str, str]:
    """Return a digest of the pixels of each file that may contain the same exposure as another.

    Parameters
    ----------
    files : sequence of RawFile
        All files of a scan, with ``pixels`` from earlier comparisons. Objects in storage are not
        compared.

    Returns
    -------
    dict of str to str
        By path: equal for equal exposures; some of these may be damaged in later rows
        (`platefiles.raw_folders.damaged_copies`).
    """
    return {file.path: file.pixels or _sample(file) for group in _alike(files) for file in group}


def _alike(files: Sequence["RawFile"]) -> Iterable[list["RawFile"]]:
    """Yield files with different bytes that may contain the same exposure."""
    seen: set[Value] = set()
    repeated: set[Value] = set()
    dates = [file.header.get("DATE-OBS") or _other_date(file) for file in files]
    for date in dates:
        if date in seen:
            repeated.add(date)
        else:
            seen.add(date)
    if not repeated:
        return
    groups: dict[tuple, list[RawFile]] = defaultdict(list)
    for date, file in zip(dates, files, strict=True):
        if date in repeated and not file.reason and not is_object_url(file.path):
            facts = (file.header.get(key) for key in _COMPARED)
            groups[date, file.width_px, file.height_px, *facts].append(file)
    for group in groups.values():
        if len({file.fingerprint for file in group}) > 1:
            yield group


def _other_date(file: "RawFile") -> Value:
    """Return a date from other keywords, else the name without extension."""
    return next((file.header[k] for k in _DATES if k in file.header), "") or stem_of(file.inside)


def _sample(file: "RawFile") -> str:
    """Return a digest of the first rows; a unique one if they show no noise."""
    from platefiles.core.frame_errors import FrameError
    from platefiles.raw_frames.raw_frame import open_raw

    try:
        with open_raw(file.path, most_rows=_ROWS) as image:
            rows = image.data()
    except (FrameError, OSError):
        return _UNREADABLE + file.fingerprint
    if not rows.min() < rows.max():
        return f"blank {file.fingerprint}"
    return hashlib.sha256(rows.tobytes()).hexdigest()[:16]
