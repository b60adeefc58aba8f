"""The world coordinates of the grid as astropy reads them."""

from pathlib import Path

from astropy.io import fits
from astropy.wcs import WCS

from platefiles.astrometry.solution import solution_cards


def read_solution(path: str | Path) -> WCS | None:
    """Return the world coordinates of a project's grid; None where the field was refused."""
    header = fits.getheader(path)
    if not header["PLACED"]:
        return None
    size = [("NAXIS", 2), ("NAXIS1", header["GRIDNX"]), ("NAXIS2", header["GRIDNY"])]
    return WCS(fits.Header([*size, *solution_cards(path)]))
