"""The product of ``find_zero_points``: zero points of channels, and transparency of each sub."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from astropy.io import fits

from platefiles.fits.tables import columns_hdu, read_columns, rows_of

CHANNEL_COLUMNS = {
    "channel": "channel",
    "zero_point_mag": "magnitude of one unit of flux",
    "error_mag": "standard error of the zero point",
    "scatter_mag": "robust scatter of single stars",
    "colour_term": "colour term, mag per mag of colour",
    "colour_error": "standard error of the colour term; NaN: not fitted",
    "n_stars": "number of stars in the fit",
    "saturated": "number of stars excluded as saturated",
    "band": "band of the catalogue",
    "colour": "definition of the colour",
    "pivot": "colour at which the zero point holds",
    "source": "stars, or the definition of the unit",
    "star_zero_point_mag": "zero point from stars alone",
    "calibrated": "whether the channel is close to the band",
    "note": "remark",
    "aperture_px": "radius of the aperture, px",
    "aperture_correction_mag": "aperture correction, added to aperture magnitudes",
    "fwhm_px": "FWHM of the subs, weighted, px",
    "sky_mag_arcsec2": "median sky of the subs, mag/arcsec2",
}
SUB_COLUMNS = {
    "id": "id of the sub",
    "name": "file inside the raw folder",
    "channel": "channel",
    "night": "night, noon to noon",
    "middle_mjd": "middle of the exposure, UTC",
    "state": "used, or the reason for rejection",
    "altitude_deg": "apparent altitude of the field",
    "airmass": "airmass by Pickering (2002)",
    "transparency": "brightness of stars relative to the reference",
    "zero_point_mag": "zero point of this sub",
    "sky_mag_arcsec2": "sky brightness, mag/arcsec2",
    "stars": "number of stars compared with the reference",
}
EXTINCTION_COLUMNS = {
    "channel": "channel",
    "night": "night, or all",
    "coefficient_mag": "extinction, mag per airmass; NaN: see note",
    "error_mag": "standard error of the coefficient",
    "subs": "number of subs",
    "airmass_low": "lowest airmass",
    "airmass_high": "highest airmass",
    "note": "reason for a missing coefficient",
}
STAR_COLUMNS = {
    "channel": "channel",
    "source": "name in the star catalogue",
    "x": "x on the grid, 0-based, px",
    "y": "y on the grid, 0-based, px",
    "flux": "total flux, unit of the channel",
    "flux_error": "standard error of the flux",
    "magnitude": "magnitude in the catalogue",
    "colour": "colour in the catalogue",
    "residual_mag": "catalogue magnitude minus fit",
    "used": "whether the fit uses the star",
}
TABLES = {
    "CHANNELS": CHANNEL_COLUMNS,
    "SUBS": SUB_COLUMNS,
    "EXTINCTION": EXTINCTION_COLUMNS,
    "STARS": STAR_COLUMNS,
}


@dataclass(frozen=True)
class ChannelZeroPoint:
    """Zero point of a channel; NaN if not found.

    Attributes
    ----------
    zero_point_mag : float
        Magnitude of a star of the pivot's colour with one unit of total flux.
    error_mag, scatter_mag : float
        Its standard error; robust scatter of single stars.
    colour_term : float
        Magnitudes per magnitude of colour.
    n_stars : int
        Number of stars in the fit.
    band : str
        Catalogue band of the magnitudes.
    calibrated : bool
        Whether the channel is close to that band.
    note : str
        Remark: reason for a missing zero point, or a limitation of the magnitudes.
    """

    zero_point_mag: float
    error_mag: float
    scatter_mag: float
    colour_term: float
    n_stars: int
    band: str
    calibrated: bool
    note: str


def read_zero_points(path: str | Path) -> dict[str, ChannelZeroPoint]:
    """Read the zero points of a project's channels, by channel."""
    rows = rows_of(read_columns(path, "CHANNELS"))
    names = ChannelZeroPoint.__dataclass_fields__
    return {row["channel"]: ChannelZeroPoint(**{n: row[n] for n in names}) for row in rows}


def tables_hdus(tables: Mapping[str, Sequence[Mapping[str, Any]]]) -> list[fits.BinTableHDU]:
    """Return the tables of the product; empty tables are omitted.

    Parameters
    ----------
    tables : mapping of str to sequence of mapping
        Rows by the name of a table in ``TABLES``.
    """
    return [
        columns_hdu({key: [row[key] for row in rows] for key in TABLES[name]}, name, TABLES[name])
        for name, rows in tables.items()
        if rows
    ]
