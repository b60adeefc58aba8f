"""The product of ``identify_sources``: the sources of the field, also as text tables."""

import io
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from platefiles.fits.column_units import unit_of
from platefiles.fits.products_io import read_header, read_table
from platefiles.fits.tables import columns_hdu, read_columns, rows_of
from platefiles.sources.deep_sky_catalogues import ATTRIBUTION

if TYPE_CHECKING:
    from astropy.io import fits
    from astropy.table import Table

SOURCE_COLUMNS = {
    "number": "number of the source, from 1, brightest first",
    "kind": "star or extended",
    "ra_deg": "right ascension, ICRS, deg; NaN without an astrometric solution",
    "dec_deg": "declination, ICRS, deg",
    "x": "x on the grid, 0-based, px",
    "y": "y on the grid, 0-based, px",
    "magnitude": "magnitude in the channel; instrumental without a zero point",
    "magnitude_error": "standard error of magnitude, excluding the zero point",
    "snr": "signal-to-noise ratio of the flux",
    "half_light_px": "half-light radius, px",
    "major_px": "semi-major axis, px",
    "minor_px": "semi-minor axis, px",
    "angle_deg": "position angle, deg; from +y to -x without a solution",
    "excess_sigma": "excess width over a star at this position, sigma",
    "saturated": "whether the source is saturated",
    "inside": "number of the larger source around this source; 0: none",
    "object": "name in the object catalogue",
    "object_kind": "kind in the object catalogue",
    "star": "name in the star catalogue",
    "rank": "rank by S/N of uncatalogued extended sources; 0: others",
}
OBJECT_COLUMNS = {
    "name": "name",
    "kind": "kind of object",
    "catalogue": "source catalogue",
    "ra_deg": "right ascension, ICRS, deg",
    "dec_deg": "declination, ICRS, deg",
    "major_arcmin": "major axis, arcmin; NaN: unknown",
    "minor_arcmin": "minor axis, arcmin",
    "angle_deg": "position angle of the major axis, north to east, deg",
    "magnitude": "magnitude in the catalogue",
    "x": "x on the grid, 0-based, px",
    "y": "y on the grid, 0-based, px",
    "source": "number of the matching source; 0: none",
}


def sources_hdus(
    sources: Mapping[str, np.ndarray], objects: Sequence[Mapping[str, Any]]
) -> "list[fits.BinTableHDU]":
    """Return the tables of the product; ``OBJECTS`` only where a catalogue has some."""
    columns = {name: sources[name] for name in SOURCE_COLUMNS}
    hdus = [columns_hdu(columns, "SOURCES", SOURCE_COLUMNS)]
    if objects:
        rows = {name: [row[name] for row in objects] for name in OBJECT_COLUMNS}
        hdus.append(columns_hdu(rows, "OBJECTS", OBJECT_COLUMNS))
    return hdus


def read_objects(path: str | Path) -> list[dict[str, Any]]:
    """Read the objects of catalogues in the field."""
    try:
        return rows_of(read_columns(path, "OBJECTS"))
    except KeyError:
        return []


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
    text = io.StringIO()
    _described(path).write(text, format="ascii.ecsv")
    return text.getvalue().encode()


def _csv(path: str | Path) -> bytes:
    text = io.StringIO()
    _described(path).write(text, format="ascii.csv")
    return text.getvalue().replace("\r\n", "\n").encode()


def _votable(path: str | Path) -> bytes:
    from astropy.io.votable import from_table

    table = _described(path)
    described = table.meta.pop("title")
    ucds = {
        "number": "meta.id;meta.main",
        "ra_deg": "pos.eq.ra;meta.main",
        "dec_deg": "pos.eq.dec;meta.main",
        "magnitude": "phot.mag",
        "magnitude_error": "stat.error;phot.mag",
        "snr": "stat.snr",
        "angle_deg": "pos.posAng",
        "object": "meta.id.cross",
    }
    votable = from_table(table, table_id="sources")
    one = votable.get_first_table()
    one.description = f"{described}; {ATTRIBUTION}"
    for field in one.fields:
        field.ucd = ucds.get(field.name)
    content = io.BytesIO()
    votable.to_xml(content, tabledata_format="tabledata")
    return content.getvalue()


def _regions(path: str | Path) -> bytes:
    """Ellipses of catalogue objects and of extended sources; circles about stars of a catalogue."""
    import astropy.units as u
    from astropy.coordinates import SkyCoord
    from regions import (
        CirclePixelRegion,
        CircleSkyRegion,
        EllipsePixelRegion,
        EllipseSkyRegion,
        PixCoord,
        Regions,
    )

    header = read_header(path)
    scale = float(header.get("PIXSCALE", math.nan))
    placed = math.isfinite(scale)
    shapes = []
    for row in rows_of(read_columns(path, "SOURCES")):
        extended, label = row["kind"] == "extended", row["object"] or row["star"]
        if not (extended or label):
            continue
        visual = {"color": "cyan" if row["rank"] else "yellow" if extended else "green"}
        meta = {"text": label or f"#{row['rank']}"}
        axes = [2 * max(row[name], 1.0) for name in ("major_px", "minor_px")]
        if placed:
            place = SkyCoord(row["ra_deg"] * u.deg, row["dec_deg"] * u.deg)
            # A region counts angles from west to north: the first axis at 0 points to the west.
            turn = (row["angle_deg"] + 90) * u.deg
            sizes = [round(axis * scale, 3) * u.arcsec for axis in axes]
            shapes.append(
                EllipseSkyRegion(place, *sizes, angle=turn, meta=meta, visual=visual)
                if extended
                else CircleSkyRegion(place, 5 * scale * u.arcsec, meta=meta, visual=visual)
            )
        else:
            middle = PixCoord(row["x"], row["y"])
            turn = (row["angle_deg"] + 90) * u.deg
            shapes.append(
                EllipsePixelRegion(middle, *axes, angle=turn, meta=meta, visual=visual)
                if extended
                else CirclePixelRegion(middle, 5.0, meta=meta, visual=visual)
            )
    if not shapes:
        return b"# Region file format: DS9\n"
    return Regions(shapes).serialize(format="ds9", precision=6).encode()
