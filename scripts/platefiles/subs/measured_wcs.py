"""World coordinates of calibrated frames, as stored in measures."""

import numpy as np

from platelib.astrometry.tan_sip import SkyMap
from platelib.numerics.polynomial_degree import count_terms
from platelib.numerics.transform import exponents

_HEAD = 9
_TERMS = len(exponents(5))
WORLD_VALUES = _HEAD + 2 * _TERMS
"""Numbers of a row: RA, Dec, x, y, CD (4), degree, and the polynomials A and B of SIP."""


def world_row(sky_map: SkyMap | None) -> np.ndarray:
    """Return world coordinates as ``(WORLD_VALUES,)`` float64; NaN without any."""
    row = np.full(WORLD_VALUES, np.nan)
    if sky_map is not None:
        row[:_HEAD] = sky_map.ra, sky_map.dec, sky_map.x, sky_map.y, *sky_map.cd, sky_map.degree
        row[_HEAD:] = 0.0
        row[_HEAD : _HEAD + len(sky_map.a)] = sky_map.a
        row[_HEAD + _TERMS : _HEAD + _TERMS + len(sky_map.b)] = sky_map.b
    return row


def world_map(row: np.ndarray) -> SkyMap | None:
    """Return the world coordinates of a row; None without any."""
    if np.isnan(row[0]):
        return None
    ra, dec, x, y, c11, c12, c21, c22, degree = (float(value) for value in row[:_HEAD])
    terms = max(3, count_terms(int(degree)))
    a = np.array(row[_HEAD : _HEAD + terms], dtype=np.float64)
    b = np.array(row[_HEAD + _TERMS : _HEAD + _TERMS + terms], dtype=np.float64)
    return SkyMap(ra, dec, x, y, (c11, c12, c21, c22), int(degree), a, b)
