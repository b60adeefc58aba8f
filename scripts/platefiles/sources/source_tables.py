"""The product of ``identify_sources``: the sources of the field."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from platefiles.fits.tables import columns_hdu, read_columns, rows_of

if TYPE_CHECKING:
    from astropy.io import fits

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
