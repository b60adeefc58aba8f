"""The summary of a run: subs used and left out by channel, and paths of the pictures."""

import contextlib
import csv
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

from platecli.text.field_summary import field_lines
from platefiles.fits.header_reader import HeaderError, read_header_bytes, texts_under
from platefiles.frames.left_out import ON_PURPOSE
from platefiles.integration.core_losses import core_loss
from platelib.registration.sub_state import SubState

PICTURES = (".png", ".jpg", ".tif", ".fits")
SHOWN = 8

Row = Mapping[str, str]


def text(
    name: str,
    title: str,
    results: Path,
    stale: Collection[str] = (),
    not_made: Collection[Path] = (),
) -> str:
    """Return the summary of one project, ready to print.

    Parameters
    ----------
    name
        Name of the project.
    title
        Name of its target.
    results
        Its folder of results; tables that are not there, or lack a column, are passed over.
    stale
        Names of files in the folder ``field`` that do not belong to the project as it is now.
    not_made
        Files that this run should have made and did not.
    """
    sheet = [row for row in read_rows(results / "frames.tsv") if row.get("id")]
    exposures = {row["id"]: row["exposure_s"] for row in sheet if row.get("exposure_s")}
    excluded = {row["id"] for row in sheet if row.get("why") in ON_PURPOSE}
    lines = [f"{name}: {title}"]
    lines += channel_lines(read_rows(results / "subs.tsv"), exposures, excluded)
    lines += note_lines(results)
    lines += picture_lines(results, not_made)
    lines += field_lines(name, results, stale)
    return "\n".join(lines)


def read_rows(path: Path) -> list[dict[str, str]]:
    """Return the rows of a table with tabs, or none if it cannot be read.

    Parameters
    ----------
    path
        A file whose first line names the columns; lines that begin with ``#`` are comments.
    """
    try:
        with path.open(encoding="utf-8", errors="replace", newline="") as table:
            lines = [line for line in table if not line.startswith("#")]
    except OSError:
        return []
    rows = csv.DictReader(lines, delimiter="\t", quoting=csv.QUOTE_NONE, restval="")
    return [{key: value for key, value in row.items() if key is not None} for row in rows]


def channel_lines(
    subs: Sequence[Row], exposures: Mapping[str, str], on_purpose: Collection[str] = ()
) -> list[str]:
    """Return for each channel how much of it was used, and which subs were not.

    Parameters
    ----------
    subs
        Rows with ``id name channel state reason`` and perhaps ``exposure_s``.
    exposures
        Exposure in seconds by id, for tables without that column.
    on_purpose
        Ids of frames that the file of the project leaves out.
    """
    channels = list(dict.fromkeys(row["channel"] for row in subs if row.get("channel")))
    width = max(map(len, channels), default=0)
    lines = []
    for channel in channels:
        rows = [row for row in subs if row.get("channel") == channel]
        used = [row for row in rows if row.get("state") == SubState.USED]
        total_s = sum(_seconds(row, exposures) for row in used)
        exposure = f", {hours_minutes(total_s)}" if total_s else ""
        lines.append(f"  {channel:<{width}}  {len(used)} of {len(rows)} subs{exposure}")
        indent = " " * (width + 4)
        lines += left_out_lines([row for row in rows if row.get("state") != SubState.USED], indent)
        lines += core_lines(used, indent)
    others = [row for row in subs if not row.get("channel")]
    excluded = [row for row in others if row.get("id") in on_purpose]
    lines += left_out_lines([row for row in others if row not in excluded], "  ")
    for reason, count in Counter(row["reason"] for row in excluded).items():
        lines.append(f"  {count} file{'' if count == 1 else 's'} {reason}")
    return lines


def core_lines(rows: Sequence[Row], indent: str) -> list[str]:
    """Return a line for each sub that lost much of its star cores to rejection, a few at most.

    Parameters
    ----------
    rows
        The subs that are used.
    indent
        What the lines begin with.
    """
    lost = [said for row in rows if (said := core_loss(row)) is not None]
    lines = [f"{indent}{said}" for said in lost[:SHOWN]]
    if len(lost) > SHOWN:
        lines.append(f"{indent}and {len(lost) - SHOWN} more, see cores_rejected in subs.tsv")
    return lines


def note_lines(results: Path) -> list[str]:
    """Return what was not done and what was found out, as headers of channels say it, each once.

    Parameters
    ----------
    results
        Folder of results of a project.
    """
    notes: dict[str, None] = {}
    levels: dict[str, str] = {}
    for path in sorted((results / "channels").glob("*.fits")):
        with contextlib.suppress(OSError, HeaderError), path.open("rb") as stream:
            header = read_header_bytes(stream)
            notes |= dict.fromkeys(texts_under(header, "NOTDONE"))
            told = zip(texts_under(header, "SATKEY"), texts_under(header, "SATSAY"), strict=False)
            levels = dict(told) | levels  # channels differ in the last digits
    return [f"  note: {note}" for note in [*notes, *levels.values()]]


def left_out_lines(rows: Sequence[Row], indent: str) -> list[str]:
    """Return a line for each sub that was left out, but not more than a screen can hold.

    Parameters
    ----------
    rows
        The subs that were left out.
    indent
        What the lines begin with.
    """
    lines = []
    for row in rows[:SHOWN]:
        name = row.get("name") or row.get("id") or "a sub"
        why = row.get("reason") or row.get("state") or "no reason given"
        lines.append(f"{indent}left out: {name}: {why}")
    if len(rows) > SHOWN:
        lines.append(f"{indent}and {len(rows) - SHOWN} more left out, all listed in subs.tsv")
    return lines


def picture_lines(results: Path, not_made: Collection[Path] = ()) -> list[str]:
    """Return where the pictures are, those to look at first.

    Parameters
    ----------
    results
        Folder of results of one project.
    not_made
        As for `text`: such pictures are marked as those of an earlier run.
    """
    folder = results / "picture"
    shown = (path for path in folder.glob("*") if not path.name.endswith(".display.fits"))
    found = [path for path in shown if path.suffix in PICTURES]
    found.sort(key=lambda path: (PICTURES.index(path.suffix), path.name))
    sheet = results / "contact_sheet.png"
    found += [sheet] if sheet.exists() else []
    return [f"  {path}{' (of an earlier run)' if path in not_made else ''}" for path in found]


def hours_minutes(seconds: float) -> str:
    """Return an exposure total as people say it: ``45 s``, ``12 min``, ``3 h 20 min``."""
    if seconds < 60:
        return f"{seconds:.3g} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"


def _seconds(row: Row, exposures: Mapping[str, str]) -> float:
    try:
        return float(row.get("exposure_s") or exposures.get(row.get("id", ""), "0"))
    except ValueError:
        return 0.0
