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
    "error_mag": "its standard error",
    "scatter_mag": "robust scatter of single stars",
    "colour_term": "magnitudes a magnitude of colour",
    "colour_error": "its standard error; NaN: not fitted",
    "n_stars": "stars that the fit used",
    "saturated": "stars left out because they are saturated",
    "band": "band of the catalogue",
    "colour": "what the colour is",
    "pivot": "colour that the zero point is for",
    "source": "stars, or the definition of the unit",
    "star_zero_point_mag": "zero point by the stars alone",
    "calibrated": "the channel is near to the band",
    "note": "what there is to say",
    "aperture_px": "radius of the aperture, px",
    "aperture_correction_mag": "to be added to its magnitudes",
    "fwhm_px": "FWHM of the subs, weighted, px",
    "sky_mag_arcsec2": "median sky of the subs, mag/arcsec2",
}
SUB_COLUMNS = {
    "id": "id of the sub",
    "name": "file inside the raw folder",
    "channel": "channel",
    "night": "night, noon to noon",
    "middle_mjd": "middle of the exposure, UTC",
    "state": "used, or why not",
    "altitude_deg": "apparent altitude of the field",
    "airmass": "Pickering (2002)",
    "transparency": "brightness of stars over that in the reference",
    "zero_point_mag": "zero point of this sub by itself",
    "sky_mag_arcsec2": "sky, mag/arcsec2",
    "stars": "stars compared with the reference",
}
EXTINCTION_COLUMNS = {
    "channel": "channel",
    "night": "night, or all",
    "coefficient_mag": "extinction, mag an airmass; NaN: see note",
    "error_mag": "its standard error",
    "subs": "subs",
    "airmass_low": "lowest airmass",
    "airmass_high": "highest airmass",
    "note": "why there is none",
}
STAR_COLUMNS = {
    "channel": "channel",
    "source": "star of the catalogue",
    "x": "px of the grid, 0-based",
    "y": "likewise",
    "flux": "total flux, unit of the channel",
    "flux_error": "its standard error",
    "magnitude": "of the catalogue",
    "colour": "of the catalogue",
    "residual_mag": "catalogue less fit",
    "used": "used in the fit",
}
TABLES = {
    "CHANNELS": CHANNEL_COLUMNS,
    "SUBS": SUB_COLUMNS,
    "EXTINCTION": EXTINCTION_COLUMNS,
    "STARS": STAR_COLUMNS,
}


@dataclass(frozen=True)
class ChannelZeroPoint:
    """Zero point of a channel; NaN where it could not be found.

    Attributes
    ----------
    zero_point_mag : float
        Magnitude of a star of the pivot's colour that gives one unit of total flux.
    error_mag, scatter_mag : float
        Its standard error; robust scatter of single stars.
    colour_term : float
        Magnitudes a magnitude of colour.
    n_stars : int
        Stars that the fit used.
    band : str
        Band of the catalogue whose magnitudes these are.
    calibrated : bool
        Whether the channel is near to that band.
    note : str
        What there is to say: why there is no zero point, or what the magnitudes are not.
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
    """Return the tables of the product; those without rows are left out.

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
