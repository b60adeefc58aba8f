"""The product of ``measure_depth``: depth, its growth, and the gain of more exposure."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from astropy.io import fits

from platefiles.fits.tables import columns_hdu, read_columns, rows_of

CHANNEL_COLUMNS = {
    "channel": "channel",
    "zero_point_mag": "zero point; NaN: magnitudes are instrumental, -2.5 log10(flux)",
    "calibrated": "whether the channel is near to a band of the catalogue",
    "limit_mag": "star of 5 sigma in empty sky, mag; NaN: see note",
    "limit_flux": "all of its light, unit of the channel",
    "injected_limit_mag": "half of injected stars are found; NaN: no room for them",
    "injected_error_mag": "standard error of it",
    "expected_limit_mag": "by the CCD equation, from sky and read noise of the subs",
    "radius_px": "circle that stars stand out in most, px",
    "share": "share of the light of a star in it",
    "noise": "noise of its sum, unit of the channel",
    "noise_factor": "that over the noise of independent pixels",
    "half_light_px": "radius that holds half of the light of a star, px",
    "surface_limit_mag": "3 sigma in 100 square arcsec, mag/arcsec2",
    "surface_snr": "S/N of the stated surface brightness in 100 square arcsec",
    "subs": "subs used",
    "exposure_s": "their exposure, s",
    "hours_for_02_mag": "hours more for 0.2 mag",
    "hours_for_05_mag": "hours more for 0.5 mag",
    "hours_to_balance": "hours more for as little noise as the best channel has",
    "noise_over_star": "noise over the light of one and the same star, best channel 1",
    "shortest_sub_s": "read noise adds 5 % under the usual sky, s",
    "shortest_dark_sub_s": "likewise under the darkest sky, s",
    "read_noise_share": "what read noise adds to the noise of the subs, as a share",
    "note": "what could not be done, and why",
}
COMPLETENESS_COLUMNS = {
    "channel": "channel",
    "magnitude": "of injected stars",
    "injected": "how many",
    "found": "how many were found",
}
NIGHT_COLUMNS = {
    "channel": "channel",
    "night": "night, noon to noon",
    "subs": "subs used of that night",
    "exposure_s": "their exposure, s",
    "total_exposure_s": "exposure of all nights so far, s",
    "limit_mag": "limit after that night",
    "gain_mag": "what the night added; NaN for the first",
}
TABLES = {
    "CHANNELS": CHANNEL_COLUMNS,
    "NIGHTS": NIGHT_COLUMNS,
    "COMPLETENESS": COMPLETENESS_COLUMNS,
}


def depth_hdus(tables: Mapping[str, Sequence[Mapping[str, Any]]]) -> list[fits.BinTableHDU]:
    """Return the tables of the product; those without rows are left out."""
    return [
        columns_hdu({key: [row[key] for row in rows] for key in TABLES[name]}, name, TABLES[name])
        for name, rows in tables.items()
        if rows
    ]


def read_depths(path: str | Path, table: str = "CHANNELS") -> list[dict[str, Any]]:
    """Read the rows of a table of the product; none where it is not there."""
    try:
        return rows_of(read_columns(path, table))
    except KeyError:
        return []
