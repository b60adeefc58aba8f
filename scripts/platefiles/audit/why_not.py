"""Return whether a raw frame is part of a product, and why not."""

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from platefiles.integration.sub_rows import SubRow
from platefiles.provenance.activities import RawRecord, Record
from platefiles.raw_folders.known_frames import read_known
from platelib.registration.sub_state import SubState

_ENDING = re.compile(r"\.(fits|fit|fts)(\.(fz|gz))?$", re.IGNORECASE)

_DIGITS = 6
"""So many digits of a digest are enough to name a frame."""


def why_not(
    word: str, record: Record, rows: Sequence[SubRow], beside: Sequence[tuple[str, str]] = ()
) -> list[str]:
    """Report for each frame that a word names whether a product uses it, and if not, why.

    Parameters
    ----------
    word : str
        Name, id or digest of a frame, or a part of any of them.
    record : Record
        Of the product.
    rows : sequence of SubRow
        The product's table of subs.
    beside : sequence of (str, str)
        Name and state of further frames known to the run.

    Returns
    -------
    list of str
        One line per frame; empty if the word matches none.
    """
    known = {row.sha256 for row in rows}
    subs = _fitting(word, [_Named(row, row.name, row.id, row.sha256) for row in rows])
    others = [
        _Named(r, r.name, "", r.sha256) for r in record.raws.values() if r.sha256 not in known
    ]
    frames = [] if subs else _fitting(word, others)
    names = {row.name for row in rows}
    left = [_Named(one, one[0]) for one in beside if one[0] not in names]
    is_exact = any(_Named(None, frame.name).is_called(word) for frame in (*subs, *frames))
    unused = [] if is_exact else _fitting(word, left)
    lines = [*map(_of_sub, subs), *(_of_frame(raw, record) for raw in frames)]
    return lines + [f"{name} is not in it: {text}." for name, text in unused]


@dataclass(frozen=True)
class _Named:
    """An item with its name, id and digest."""

    thing: Any
    name: str
    id: str = ""
    digest: str = ""

    def is_called(self, word: str) -> bool:
        """Return whether a word is the id, the digest, or the name with or without folder."""
        path = PurePosixPath(self.name)
        return word in (self.name, path.name, path.stem, self.id, self.digest)

    def fits(self, word: str) -> bool:
        """Return whether a word is a part of the name or id, or begins the digest."""
        part = word.lower()
        begins = len(part) >= _DIGITS and self.digest.startswith(part)
        return begins or part in self.name.lower() or part in self.id.lower()


def _fitting(word: str, things: Sequence[_Named]) -> list[Any]:
    """Return the items with exactly this name, or else those that the word matches."""
    exact = [one.thing for one in things if one.is_called(word)]
    return exact or [one.thing for one in things if one.fits(word)]


def _of_sub(row: SubRow) -> str:
    where = f"channel {row.channel}" if row.channel else "its channel"
    if row.state == SubState.USED:
        if row.clipped_low != row.clipped_low:
            return f"{row.name} is in {where} with weight {row.weight:.3g}."
        shares = (row.clipped_low + row.clipped_high, row.clipped_low, row.clipped_high)
        total, low, high = (f"{100 * share:.2g} %" for share in shares)
        return (
            f"{row.name} is in {where} with weight {row.weight:.3g} of the best; {total} of its "
            f"pixels were clipped, {low} as too dark and {high} as too bright."
        )
    if row.state == SubState.MEASURED:
        return f"{row.name} was measured; the registration of {where} decides about its use."
    reason = f": {row.reason}" if row.reason else ""
    return f"{row.name} is not in {where}: {row.state}{reason}."


def _of_frame(raw: RawRecord, record: Record) -> str:
    takers = [making.product for making in record.makings.values() if raw.sha256 in making.raws]
    return f"{raw.name} is a {raw.kind} frame of {', '.join(takers) or 'nothing'}."


def first_name(word: str, product: str | Path) -> str:
    """Return the id of a renamed frame, by its present name.

    Parameters
    ----------
    word : str
        Path of the file, or the end of the path; the extension may be omitted.
    product : path-like
        A product; the list of frames is searched in its parent folders.

    Returns
    -------
    str
        Empty if there is no such frame or no list.
    """
    for folder in list(Path(product).absolute().parents)[:3]:
        for one in read_known(folder / "frames.tsv"):
            path = f"/{one.path}"
            if path.endswith(f"/{word}") or _ENDING.sub("", path).endswith(f"/{word}"):
                return one.id
    return ""


def frames_beside(product: str | Path) -> Iterator[tuple[str, str]]:
    """Yield the frames of the run's table of subs, with state and reason.

    Parameters
    ----------
    product : path-like
        A product; the table is searched in its parent folders and may be missing.
    """
    for folder in list(Path(product).absolute().parents)[:3]:
        table = folder / "subs.tsv"
        if table.is_file():
            with table.open(encoding="utf-8", errors="replace", newline="") as lines:
                for row in csv.DictReader(
                    lines, delimiter="\t", quoting=csv.QUOTE_NONE, restval=""
                ):
                    state, reason = row.get("state") or "", row.get("reason") or ""
                    yield row.get("name") or "", f"{state}, {reason}" if reason else state
            return
