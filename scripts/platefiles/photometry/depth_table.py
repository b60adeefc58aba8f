"""The product of ``measure_depth``: depth, its growth, and the gain of more exposure."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from astropy.io import fits

from platefiles.fits.tables import columns_hdu, read_columns, rows_of

CHANNEL_COLUMNS = {
    "channel": "channel",
    "zero_point_mag": "zero point; NaN: magnitudes are instrumental, -2.5 log10(flux)",
    "calibrated": "whether the channel is close to a catalogue band",
    "limit_mag": "5 sigma limiting magnitude in empty sky; NaN: see note",
    "limit_flux": "total flux at limit_mag, unit of the channel",
    "injected_limit_mag": "magnitude of 50 % recovery of injected stars; NaN: no room",
    "injected_error_mag": "standard error of injected_limit_mag",
    "expected_limit_mag": "limit by the CCD equation, from sky and read noise",
    "radius_px": "aperture radius of highest S/N for stars, px",
    "share": "fraction of the light of a star inside the aperture",
    "noise": "noise of the aperture sum, unit of the channel",
    "noise_factor": "noise divided by that of independent pixels",
    "half_light_px": "half-light radius of a star, px",
    "surface_limit_mag": "3 sigma limit in 100 square arcsec, mag/arcsec2",
    "surface_snr": "S/N of the stated surface brightness in 100 square arcsec",
    "subs": "number of subs used",
    "exposure_s": "total exposure of these subs, s",
    "hours_for_02_mag": "further hours for a limit 0.2 mag fainter",
    "hours_for_05_mag": "further hours for a limit 0.5 mag fainter",
    "hours_to_balance": "further hours to reach the noise of the best channel",
    "noise_over_star": "noise / flux of one star, relative to the best channel",
    "shortest_sub_s": "exposure at which read noise adds 5 %, usual sky, s",
    "shortest_dark_sub_s": "exposure at which read noise adds 5 %, darkest sky, s",
    "read_noise_share": "fraction that read noise adds to the noise of subs",
    "note": "missing measurements and reasons",
}
COMPLETENESS_COLUMNS = {
    "channel": "channel",
    "magnitude": "magnitude of injected stars",
    "injected": "number of injected stars",
    "found": "number of recovered stars",
}
NIGHT_COLUMNS = {
    "channel": "channel",
    "night": "night, noon to noon",
    "subs": "number of subs used from that night",
    "exposure_s": "exposure of that night, s",
    "total_exposure_s": "total exposure up to that night, s",
    "limit_mag": "limit after that night",
    "gain_mag": "gain of that night; NaN for the first",
}
TABLES = {
    "CHANNELS": CHANNEL_COLUMNS,
    "NIGHTS": NIGHT_COLUMNS,
    "COMPLETENESS": COMPLETENESS_COLUMNS,
}


def depth_hdus(tables: Mapping[str, Sequence[Mapping[str, Any]]]) -> list[fits.BinTableHDU]:
    """Return the tables of the product; empty tables are omitted."""
    return [
        columns_hdu({key: [row[key] for row in rows] for key in TABLES[name]}, name, TABLES[name])
        for name, rows in tables.items()
        if rows
    ]


def read_depths(path: str | Path, table: str = "CHANNELS") -> list[dict[str, Any]]:
    """Read the rows of a table of the product; none if the table is missing."""
    try:
        return rows_of(read_columns(path, table))
    except KeyError:
        return []
