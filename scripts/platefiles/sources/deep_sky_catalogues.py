"""Catalogues of extended objects: OpenNGC, and lists of the user's own."""

import csv
import math
import sqlite3
from collections.abc import Mapping
from pathlib import Path

from platefiles.core.errors import UserError
from platelib.astrometry.celestial import separation_deg
from platelib.sources.crossmatch import CatalogueObject

OPEN_NGC = "OpenNGC"
OWN_LIST = "own list"
ATTRIBUTION = "OpenNGC by Mattia Verga, CC-BY-SA-4.0, through the library pyongc"

_LEFT_OUT = ("Dup", "NonEx")
_KINDS = {
    "*": "star",
    "**": "double star",
    "*Ass": "group of stars",
    "OCl": "open cluster",
    "GCl": "globular cluster",
    "Cl+N": "cluster with nebula",
    "G": "galaxy",
    "GPair": "pair of galaxies",
    "GTrpl": "three galaxies",
    "GGroup": "group of galaxies",
    "PN": "planetary nebula",
    "HII": "H II region",
    "DrkN": "dark nebula",
    "EmN": "emission nebula",
    "Neb": "nebula",
    "RfN": "reflection nebula",
    "SNR": "supernova remnant",
    "Nova": "nova",
    "Other": "object",
}
_COLUMNS = "name, type, ra, dec, majax, minax, pa, bmag, vmag, messier"
_NUMBERS = {
    "major_arcmin": (0.0, 3600.0),
    "minor_arcmin": (0.0, 3600.0),
    "angle_deg": (-360.0, 360.0),
    "magnitude": (-40.0, 60.0),
}
_MOST_ROWS = 100_000
_MOST_LETTERS = 60


def open_ngc(ra_deg: float, dec_deg: float, radius_deg: float) -> list[CatalogueObject]:
    """Return the objects of OpenNGC within a radius, by name.

    Records of what does not exist, and second records of the same object, are left out.
    """
    import pyongc

    query = f"SELECT {_COLUMNS} FROM objects WHERE ra IS NOT NULL AND dec BETWEEN ? AND ?"
    low, high = (math.radians(dec_deg + sign * radius_deg) for sign in (-1, 1))
    with sqlite3.connect(f"{Path(pyongc.DBPATH).as_uri()}?mode=ro", uri=True) as base:
        rows = base.execute(query, (low, high)).fetchall()
    base.close()
    found = [_of_row(row) for row in rows if row[1] not in _LEFT_OUT]
    near = [
        one
        for one in found
        if separation_deg(one.ra_deg, one.dec_deg, ra_deg, dec_deg) <= radius_deg
    ]
    return sorted(near, key=lambda one: (one.name, one.ra_deg))


def _of_row(row: tuple) -> CatalogueObject:
    name, kind, ra, dec, major, minor, angle, blue, visual, messier = row
    return CatalogueObject(
        _shown(name, messier),
        _KINDS.get(kind, "object"),
        round(math.degrees(ra), 7),
        round(math.degrees(dec), 7),
        _number(major),
        _number(minor if minor is not None else major),
        _number(angle),
        _number(visual if visual is not None else blue),
        OPEN_NGC,
    )


def _shown(name: str, messier: str | None) -> str:
    """Return the name as one writes it: ``NGC 7000``, ``IC 10``, ``M 31``."""
    if messier:
        return f"M {messier.lstrip('0')}"
    for prefix in ("NGC", "IC"):
        rest = name.removeprefix(prefix)
        if rest != name and rest[:1].isdigit():
            return f"{prefix} {rest.lstrip('0')}"
    return name


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)


def own_list(path: str | Path) -> list[CatalogueObject]:
    """Read a list of objects: CSV with a line of names.

    Needed are ``name``, ``ra_deg`` and ``dec_deg``; ``kind``, ``major_arcmin``, ``minor_arcmin``,
    ``angle_deg`` and ``magnitude`` may be there, and may be empty. Other columns are passed over.

    Raises
    ------
    UserError
        With file, line and column of what is wrong.
    """
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(line for line in file if not line.startswith("#"))
            missing = {"name", "ra_deg", "dec_deg"} - set(reader.fieldnames or ())
            if missing:
                msg = f"{path}: has no column {', '.join(sorted(missing))}; its first line has to"
                raise UserError(f"{msg} name the columns name, ra_deg and dec_deg")
            rows = [_own(path, reader.line_num, row) for row in reader]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = getattr(error, "strerror", None) or "is no CSV file in UTF-8"
        msg = f"{path}: {reason}; give the path of a CSV file under sky, objects"
        raise UserError(msg) from error
    if len(rows) > _MOST_ROWS:
        msg = f"{path}: has {len(rows)} rows; give the part of the list that is about the field"
        raise UserError(msg)
    return rows


def _own(path: str | Path, line: int, row: Mapping[str, str | None]) -> CatalogueObject:
    name = " ".join((row["name"] or "").split())
    if not name or len(name) > _MOST_LETTERS or not name.isprintable():
        msg = f"{path}, line {line}: name is missing, or has more than {_MOST_LETTERS} letters"
        raise UserError(msg)
    ra = _within(path, line, row, "ra_deg", (0.0, 360.0))
    dec = _within(path, line, row, "dec_deg", (-90.0, 90.0))
    if math.isnan(ra) or math.isnan(dec):
        msg = f"{path}, line {line}: ra_deg and dec_deg are needed, in degrees"
        raise UserError(msg)
    numbers = {key: _within(path, line, row, key, limits) for key, limits in _NUMBERS.items()}
    if math.isnan(numbers["minor_arcmin"]):
        numbers["minor_arcmin"] = numbers["major_arcmin"]
    kind = " ".join((row.get("kind") or "object").split())[:_MOST_LETTERS]
    return CatalogueObject(name, kind, ra, dec, catalogue=OWN_LIST, **numbers)


def _within(
    path: str | Path,
    line: int,
    row: Mapping[str, str | None],
    key: str,
    limits: tuple[float, float],
) -> float:
    text = (row.get(key) or "").strip()
    if not text:
        return math.nan
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not limits[0] <= value <= limits[1]:
        msg = (
            f"{path}, line {line}: {key} is '{text[:40]}' and has to be a number from "
            f"{limits[0]:g} to {limits[1]:g}"
        )
        raise UserError(msg)
    return value
