"""World coordinates of a picture, from its linear image."""

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from platefiles.core.errors import UserError
from platefiles.fits.products_io import has_image, read_image
from platefiles.fits.wcs_cards import picture_wcs
from platelib.astrometry.tan_sip import SkyMap
from platelib.numerics.transform import exponents
from platelib.picture.reproject_crop import common_part

if TYPE_CHECKING:
    from astropy.wcs import WCS


def picture_place(path_to_linear_image: str | Path, shape: tuple[int, int]) -> "WCS | None":
    """Return the world coordinates of a picture, possibly cropped from its linear image.

    Parameters
    ----------
    path_to_linear_image : path-like
    shape : tuple of int
        ``(ny, nx)`` of the picture.

    Returns
    -------
    astropy.wcs.WCS or None
        None if the field has no astrometric solution.

    Raises
    ------
    UserError
        If the picture is not a known part of the linear image.
    """
    planes, header = read_image(path_to_linear_image)
    wcs = picture_wcs(header)
    if wcs is None or planes.shape[1:] == shape:
        return wcs
    if has_image(path_to_linear_image, "LUMINANCE"):
        planes = np.concatenate([planes, read_image(path_to_linear_image, "LUMINANCE")[0][None]])
    rows, columns = common_part(planes)
    if (rows.stop - rows.start, columns.stop - columns.start) != shape:
        msg = (
            f"the picture has {shape[1]} x {shape[0]} pixels, {path_to_linear_image} "
            f"{planes.shape[2]} x {planes.shape[1]}, or {columns.stop - columns.start} x "
            f"{rows.stop - rows.start} without uncovered edges: make the picture again"
        )
        raise UserError(msg)
    return wcs.slice((rows, columns))


def map_of_wcs(wcs: "WCS") -> SkyMap:
    """Convert a tangent-plane WCS, with or without SIP, to a map."""
    ra, dec = (float(value) for value in wcs.wcs.crval)
    x, y = (float(value) - 1.0 for value in wcs.wcs.crpix)
    matrix = wcs.pixel_scale_matrix
    cd = (float(matrix[0, 0]), float(matrix[0, 1]), float(matrix[1, 0]), float(matrix[1, 1]))
    if wcs.sip is None:
        return SkyMap(ra, dec, x, y, cd)
    degree = max(wcs.sip.a_order, wcs.sip.b_order)
    terms = [
        np.array(
            [
                matrix[i, j] if i < len(matrix) and j < len(matrix) and i + j > 1 else 0.0
                for i, j in exponents(degree)
            ]
        )
        for matrix in (wcs.sip.a, wcs.sip.b)
    ]
    return SkyMap(ra, dec, x, y, cd, degree, *terms)
