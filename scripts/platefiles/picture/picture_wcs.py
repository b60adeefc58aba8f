"""World coordinates of a picture as a map of the sky."""

from typing import TYPE_CHECKING

import numpy as np

from platelib.astrometry.tan_sip import SkyMap
from platelib.numerics.transform import exponents

if TYPE_CHECKING:
    from astropy.wcs import WCS


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
