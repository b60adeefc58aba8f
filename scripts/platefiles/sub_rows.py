"""What became of each sub, as the product itself tells it."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.fitsfile import has_image, read_header
from platefiles.tables import read_columns, rows_of

SUB_COLUMNS = {
    "channel": "channel that it belongs to",
    "id": "id of the sub",
    "name": "file inside the raw folder",
    "sha256": "SHA-256 of the raw file",
    "night": "night, noon to noon",
    "exposure_s": "exposure, s",
    "state": "used, or why not",
    "reason": "the reason in words",
    "weight": "weight in the mean, relative to the largest",
    "clipped_low": "share of its pixels struck as too dark",
    "clipped_high": "share of its pixels struck as too bright",
}
"""Columns of the table ``SUBS`` of a linear cube."""

_TABLES = {
    "map_channels": "SUBS",
    "integrate": "INPUTS",
    "register": "TRANSFORMS",
    "measure": "SUBS",
    "find_cosmic_rays": "SUBS",
}
_UNKNOWN = {"state": "", "reason": ""} | dict.fromkeys(
    ("exposure_s", "weight", "clipped_low", "clipped_high"), float("nan")
)
USED = "used"


@dataclass(frozen=True)
class SubRow:
    """A sub as a product knows it.

    Attributes
    ----------
    channel, id, name, sha256, night : str
    exposure_s : float
    state, reason : str
        ``used``, ``measured``, or why it is not used.
    weight, clipped_low, clipped_high : float
        Shares; NaN where the product does not know them yet.
    """

    channel: str
    id: str
    name: str
    sha256: str
    night: str
    exposure_s: float
    state: str
    reason: str
    weight: float
    clipped_low: float
    clipped_high: float


def read_sub_rows(path: str | Path) -> list[SubRow]:
    """Read what a product says of its subs; nothing where it knows none.

    Parameters
    ----------
    path : path-like
        A linear cube, a channel, a registration or measures.
    """
    header = read_header(path)
    table = _TABLES.get(header.get("STEP", ""), "")
    if not table or not has_image(path, table):
        return []
    given = {"channel": header.get("FILTER", ""), "night": header.get("NIGHT", "")}
    return [_row(given | row) for row in rows_of(read_columns(path, table))]


def _row(facts: dict[str, Any]) -> SubRow:
    known: dict[str, Any] = _UNKNOWN | facts
    return SubRow(**{name: known[name] for name in SUB_COLUMNS})


def subs_of_channels(paths: Mapping[str, Path]) -> dict[str, np.ndarray]:
    """Return the subs of several channels as the columns ``SUB_COLUMNS``.

    Parameters
    ----------
    paths : mapping of str to Path
        Integrated channels by name; those without the table ``INPUTS`` add nothing.

    Returns
    -------
    dict of str to numpy.ndarray
        Empty if no channel knows its subs.
    """
    parts: dict[str, list[np.ndarray]] = {name: [] for name in SUB_COLUMNS}
    for channel, path in paths.items():
        if has_image(path, "INPUTS"):
            columns = read_columns(path, "INPUTS")
            columns["channel"] = np.full(len(columns["id"]), channel)
            for name, part in parts.items():
                part.append(columns[name])
    return {name: np.concatenate(part) for name, part in parts.items() if part}
