"""Units of the columns of tables, told by their names: ``fwhm_px`` is in pixels, as ``x`` is.

Units are written as in FITS 4.0, section 4.3, and pixels as ``pix``.
"""

import re

OF_IMAGE = "image"
"""Stands for the unit of the image that a table belongs to."""

_STANDARD = {"adu", "arcmin", "arcsec", "d", "deg", "h", "mag", "nm", "pix", "s"}
"""Those of the standard that columns use; electron is none of it."""

_BY_NAME = {
    **dict.fromkeys(("x", "y", "found_x", "found_y", "fwhm"), "pix"),
    **dict.fromkeys(("ra", "dec"), "deg"),
    **dict.fromkeys(("magnitude", "magnitude_error", "colour", "pivot"), "mag"),
    **dict.fromkeys(("gain", "gain_error"), "electron/adu"),
    **dict.fromkeys(("flux", "flux_error", "core", "peak", "limit_flux"), OF_IMAGE),
    **dict.fromkeys(("level", "error", "sky", "noise", "read_noise"), OF_IMAGE),
    **dict.fromkeys(("sky_rate", "noise_rate", "sky_difference"), OF_IMAGE),
    **dict.fromkeys(("hours_for_02_mag", "hours_for_05_mag", "hours_to_balance"), "h"),
    "surface_limit_mag": "mag/arcsec2",
    "value": "adu",
}
_BY_BEGIN = {"mag_": "mag"}
_BY_END = {
    "_mag_arcsec2": "mag/arcsec2",
    "_arcmin": "arcmin",
    "_adu": "adu",
    "_deg": "deg",
    "_mag": "mag",
    "_mjd": "d",
    "_nm": "nm",
    "_px": "pix",
    "_s": "s",
}


def unit_of(name: str, of_image: str = "") -> str:
    """Return the unit of a column; empty if it has none or the unit is unknown.

    Parameters
    ----------
    name : str
        Name of the column.
    of_image : str
        Unit of the image of the table, if known.
    """
    unit = _BY_NAME.get(name)
    if unit is None:
        begins = (unit for begin, unit in _BY_BEGIN.items() if name.startswith(begin))
        ends = (unit for end, unit in _BY_END.items() if name.endswith(end))
        unit = next(begins, next(ends, ""))
    return of_image if unit == OF_IMAGE else unit


def is_standard(unit: str) -> bool:
    """Say whether readers of FITS tables know a unit: FITS 4.0, section 4.3, tables 3 to 5."""
    return set(re.findall(r"[A-Za-z]+", unit)) <= _STANDARD
