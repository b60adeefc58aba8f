"""Lines on the field at the end of a run: position, depth and sources."""

import math
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

from platefiles.core.errors import UserError
from platefiles.fits.header_cards import Cards, cards_in
from platefiles.fits.header_reader import HeaderError, read_header_bytes, texts_under

Row = Mapping[str, Any]

_WIDE_ARCMIN = 180.0
"""The size of a wider field is printed in degrees."""


def field_lines(project: str, results: Path, stale: Collection[str] = ()) -> list[str]:
    """Return the lines on field, depth and sources.

    Parameters
    ----------
    project : str
        Its name, for the command that makes what is missing.
    results : Path
        Its folder of results.
    stale : collection of str
        Names of files in the folder ``field`` that other settings, subs or code made; they count
        as missing.

    Returns
    -------
    list of str
        None where there is no such folder. A damaged product counts as missing.
    """
    folder = results / "field"
    if not folder.is_dir():
        return []
    told = {
        key: tell(folder / name) if name not in stale and (folder / name).is_file() else ""
        for key, name, tell in (
            ("field", "solution.fits", _field),
            ("depth", "depth.fits", _depth),
            ("sources", "sources.fits", _sources),
        )
    }
    refused = bool(told["field"]) and not _is_placed(folder / "solution.fits")
    lines = [f"{key}: {text}" for key, text in told.items() if text]
    picture = folder / "annotated.png"
    is_drawn = picture.is_file() and picture.name not in stale
    if is_drawn and told["sources"] and not refused:
        lines.append(f"annotated picture: {picture}")
    missing = [key for key, text in told.items() if not text]
    if missing:
        command = f"python3 scripts/platelog.py run {project} --to all"
        lines.append(f"{', '.join(missing)}: not measured yet; `{command}` measures them")
    return [f"  {line}" for line in lines]


def place(cards: Cards) -> str:
    """Return position, size, scale and turn of a field.

    Parameters
    ----------
    cards : mapping
        Header of the solution.

    Raises
    ------
    KeyError, TypeError, ValueError
        If a card is missing or no number.
    """
    from platelib.picture.graticule import declination, right_ascension

    scale = float(cards["PIXSCALE"])
    sides = [scale * float(cards[key]) / 60 for key in ("GRIDNX", "GRIDNY")]
    unit = "arcmin"
    if max(sides) > _WIDE_ARCMIN:
        sides, unit = [side / 60 for side in sides], "deg"
    width, height = (f"{side:.3g}" if side < 100 else f"{side:.0f}" for side in sides)
    ra, dec = (float(cards[key]) for key in ("CRVAL1", "CRVAL2"))
    mirrored = ", mirrored" if cards.get("MIRRORED") is True else ""
    return (
        f"{right_ascension(ra, 1 / 240)} {declination(dec)}, {width} x {height} {unit}, "
        f"{scale:.3g} arcsec/px, {turn(float(cards['NORTHANG']))}{mirrored}"
    )


def turn(north_deg: float) -> str:
    """Say in words where north is.

    Parameters
    ----------
    north_deg : float
        Direction of north from up towards right, degrees.
    """
    angle = round((north_deg + 180) % 360 - 180)
    if angle == 0:
        return "north up"
    if abs(angle) == 180:
        return "north down"
    return f"north {abs(angle)} deg {'right' if angle > 0 else 'left'} of up"


def limits(rows: Sequence[Row]) -> str:
    """Return the limit of each channel, or why it has none.

    Parameters
    ----------
    rows : sequence of mapping
        Rows ``CHANNELS`` of the product of ``measure_depth``.
    """
    known, unknown = [], []
    for row in rows:
        if math.isfinite(row["limit_mag"]) and math.isfinite(row["zero_point_mag"]):
            known.append(f"{row['channel']} {row['limit_mag']:.2f}")
        else:
            why = "no zero point" if math.isfinite(row["limit_mag"]) else row["note"]
            unknown.append(f"{row['channel']} {why or 'no limit'}")
    parts = [f"{', '.join(known)} mag (star of 5 sigma)"] if known else []
    return "; ".join([*parts, *([", ".join(unknown)] if unknown else [])])


def counted(kinds: Sequence[str], objects: Sequence[str], stars: Sequence[str]) -> str:
    """Count sources, those that are extended, and those that a catalogue names.

    Parameters
    ----------
    kinds, objects, stars : sequence of str
        Columns ``kind``, ``object`` and ``star`` of the product of ``identify_sources``.
    """
    extended = sum(kind == "extended" for kind in kinds)
    named = sum(bool(one or other) for one, other in zip(objects, stars, strict=True))
    return f"{len(kinds)}, {extended} of them extended, {named} in catalogues"


def _is_placed(path: Path) -> bool:
    """Return whether a solution that can be read has world coordinates."""
    with path.open("rb") as stream:
        return _says_placed(cards_in(read_header_bytes(stream)))


def _says_placed(cards: Cards) -> bool:
    return cards.get("PLACED") is True


def _field(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            header = read_header_bytes(stream)
        refused = " ".join(texts_under(header, "NOTPLACE"))
        cards = cards_in(header)
        if refused or not _says_placed(cards):
            return refused or "no astrometric solution"
        return place(cards)
    except (OSError, HeaderError, KeyError, TypeError, ValueError, UserError):
        return ""


def _depth(path: Path) -> str:
    from platefiles.photometry.depth_table import (
        read_depths,  # astropy, which a run without depth does not need
    )

    try:
        return limits(read_depths(path))
    except (OSError, KeyError, TypeError, ValueError, UserError):
        return ""


def _sources(path: Path) -> str:
    from platefiles.fits.tables import read_columns

    try:
        with path.open("rb") as stream:
            header = read_header_bytes(stream)
        if note := " ".join(texts_under(header, "SRCNOTE")):
            return f"none: {note}"
        columns = read_columns(path, "SOURCES")
        return counted(*(columns[key].tolist() for key in ("kind", "object", "star")))
    except (OSError, HeaderError, KeyError, TypeError, ValueError, UserError):
        return ""
