"""The sources of the field as text: ECSV, CSV, VOTable and regions.

Libraries write what stands before and behind the rows; the rows are written column by column, in
a tenth of the time that the libraries take.
"""

import io
import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING
from xml.sax.saxutils import escape

import numpy as np

from platefiles.fits.column_units import unit_of
from platefiles.fits.products_io import read_header, read_table
from platefiles.fits.tables import read_columns
from platefiles.sources.deep_sky_catalogues import ATTRIBUTION
from platefiles.sources.source_tables import SOURCE_COLUMNS

if TYPE_CHECKING:
    from astropy.table import Table

_STAR_RADIUS_PX = 5
_DEGREE_PER_ARCSEC = 1 / 3600
_UCDS = {
    "number": "meta.id;meta.main",
    "ra_deg": "pos.eq.ra;meta.main",
    "dec_deg": "pos.eq.dec;meta.main",
    "magnitude": "phot.mag",
    "magnitude_error": "stat.error;phot.mag",
    "snr": "stat.snr",
    "angle_deg": "pos.posAng",
    "object": "meta.id.cross",
}


def list_writer(ending: str) -> Callable[[str | Path], bytes]:
    """Return what makes a list of the product, by the ending of the list.

    Parameters
    ----------
    ending : str
        ``ecsv`` (with units and what each column means), ``csv``, ``vot`` (VOTable of the Virtual
        Observatory) or ``reg`` (regions as ds9 shows them).
    """
    return {"ecsv": _ecsv, "csv": _csv, "vot": _votable, "reg": _regions}[ending]


def _described(path: str | Path) -> "Table":
    header = read_header(path)
    table = read_table(path, "SOURCES")
    for name, what in SOURCE_COLUMNS.items():
        table[name].description = what
        table[name].unit = unit_of(name) or None
    table.meta = {
        "title": f"sources of project {header['PROJECT']}",
        "channel": header["CHANNEL"],
        "creator": header["CREATOR"],
        "job": header["JOBDIG"],
        "objects": ATTRIBUTION,
        "stars": str(header.get("STARCAT", "none")),
    }
    return table


def _ecsv(path: str | Path) -> bytes:
    table = _described(path)
    text = io.StringIO()
    table[:0].write(text, format="ascii.ecsv")
    return (text.getvalue() + _lines(table, " ", '""')).encode()


def _csv(path: str | Path) -> bytes:
    table = _described(path)
    return (",".join(table.colnames) + "\n" + _lines(table, ",", "")).encode()


def _lines(table: "Table", between: str, nothing: str) -> str:
    """Return the rows of a table, a line a row; ``nothing`` stands for an empty text."""

    def quoted(text: str) -> str:
        if between in text or any(sign in text for sign in '"\r\n'):
            return '"' + text.replace('"', '""') + '"'
        return text or nothing

    columns = (_texts(table[name], quoted) for name in table.colnames)
    return "".join(between.join(row) + "\n" for row in zip(*columns, strict=True))


def _texts(column: np.ndarray, written: Callable[[str], str]) -> list[str]:
    """Return the values of a column as text: numbers with the digits that tell them apart."""
    values = np.asarray(column)
    if values.dtype.kind == "U":
        known = {text: written(text) for text in np.unique(values).tolist()}
        return [known[text] for text in values.tolist()]
    return [repr(value) for value in values.tolist()]


def _votable(path: str | Path) -> bytes:
    from astropy.io.votable import from_table

    table = _described(path)
    described = table.meta.pop("title")
    # The library writes the first row, whose place all rows take.
    votable = from_table(table[:1], table_id="sources")
    one = votable.get_first_table()
    one.description = f"{described}; {ATTRIBUTION}"
    for field in one.fields:
        field.ucd = _UCDS.get(field.name)
    content = io.BytesIO()
    votable.to_xml(content, tabledata_format="tabledata")
    if not len(table):
        return content.getvalue()
    before, opening, rest = content.getvalue().decode().partition("<TABLEDATA>\n")
    *_, behind = rest.rpartition("    </TABLEDATA>")
    return f"{before}{opening}{_cells(table)}    </TABLEDATA>{behind}".encode()


def _cells(table: "Table") -> str:
    """Return the rows of a table as those of a VOTable."""

    def cell(text: str) -> str:
        return f"      <TD>{escape(text)}</TD>\n" if text else "      <TD/>\n"

    columns = []
    for name in table.colnames:
        values = np.asarray(table[name])
        if values.dtype.kind == "f":
            texts = (repr(value).removesuffix(".0") for value in values.tolist())
            values = np.array(list(texts), dtype="U")
            values[values == "nan"] = "NaN"
        elif values.dtype.kind in "ib":
            values = values.astype(np.int64).astype("U")
        columns.append(_texts(values, cell))
    rows = ("".join(row) for row in zip(*columns, strict=True))
    return "".join(f"     <TR>\n{row}     </TR>\n" for row in rows)


def _regions(path: str | Path) -> bytes:
    """Ellipses of catalogue objects and of extended sources; circles about stars of a catalogue."""
    scale = float(read_header(path).get("PIXSCALE", math.nan))
    placed = math.isfinite(scale)
    columns = read_columns(path, "SOURCES")
    extended = columns["kind"] == "extended"
    labels = np.where(columns["object"] != "", columns["object"], columns["star"])
    rows = np.flatnonzero(extended | (labels != ""))
    if not rows.size:
        return b"# Region file format: DS9\n"
    ranks = columns["rank"]
    colours = np.where(ranks > 0, "cyan", np.where(extended, "yellow", "green"))[rows]
    common = colours[0] if (colours == colours[0]).all() else ""
    x, y, unit = ("ra_deg", "dec_deg", scale) if placed else ("x", "y", 1.0)
    first = 0 if placed else 1  # pixels of regions count from 1
    lines = ["# Region file format: DS9 astropy/regions"]
    lines += [f"global color={common}"] * bool(common) + ["icrs" if placed else "image"]
    for k, colour in zip(rows.tolist(), colours.tolist(), strict=True):
        place = f"{columns[x][k] + first:.6f},{columns[y][k] + first:.6f}"
        if extended[k]:
            axes = (2 * max(float(columns[name][k]), 1.0) for name in ("major_px", "minor_px"))
            sizes = [_size(axis * unit, placed) for axis in axes]
            # A region counts angles from west to north: the first axis at 0 points to the west.
            shape = f"ellipse({place},{sizes[0]},{sizes[1]},{columns['angle_deg'][k] + 90:.6f})"
        else:
            radius = _STAR_RADIUS_PX * unit * (_DEGREE_PER_ARCSEC if placed else 1)
            shape = f"circle({place},{radius:.6f})"
        text = labels[k] or f"#{ranks[k]}"
        lines.append(f"{shape} # text={{{text}}}" + ("" if common else f" color={colour}"))
    return ("\n".join(lines) + "\n").encode()


def _size(axis: float, in_arcsec: bool) -> str:
    """Half of an axis as text, in degrees if the axis is in arc seconds."""
    return f"{round(axis, 3) / 2 * _DEGREE_PER_ARCSEC if in_arcsec else axis / 2:.6f}"
