"""Fit world coordinates to matched stars.

The normal equations are solved in a fixed order (`platelib.numerics.transform.least_squares`), so
the same stars give the same map on every processor.
"""

import numpy as np

from platelib.astrometry.celestial import from_tangent_plane, tangent_plane
from platelib.astrometry.tan_sip import SkyMap
from platelib.detection.star_finder import significant
from platelib.numerics.transform import basis, exponents, least_squares

_MOST_STEPS = 12
_CLOSE_DEG = 1e-11
_DIGITS = 10
_PLACE_DIGITS = 10
INVERSE_MORE = 2
"""Degrees by which the polynomials of the way back are higher."""


def fit_map(
    xy: np.ndarray,
    ra: np.ndarray,
    dec: np.ndarray,
    weights: np.ndarray,
    degree: int,
    shape: tuple[int, int],
) -> SkyMap:
    """Fit a map whose reference pixel is the middle of the grid.

    Parameters
    ----------
    xy : numpy.ndarray
        ``(n, 2)`` float64 pixels, 0-based.
    ra, dec : numpy.ndarray
        ``(n,)`` float64, degrees.
    weights : numpy.ndarray
        ``(n,)``, inverse variances.
    degree : int
        1 for TAN; from 2 on the powers of TAN-SIP.
    shape : tuple of int
        ``(ny, nx)`` of the grid.

    Returns
    -------
    SkyMap
        Its numbers are rounded to 10 digits, below a thousandth of a pixel at any corner.
    """
    middle = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    size = max(shape) / 2
    terms = basis((xy[:, 0] - middle[0]) / size, (xy[:, 1] - middle[1]) / size, degree)
    first = int(np.argmax(weights))
    ra0, dec0 = float(ra[first]), float(dec[first])
    coefficients = np.zeros((2, len(terms)))
    for _ in range(_MOST_STEPS):
        xi, eta, _ahead = tangent_plane(ra, dec, ra0, dec0)
        coefficients = least_squares(terms, np.stack([xi, eta]), weights)
        step = coefficients[:, 0]
        east, north = from_tangent_plane(step[0], step[1], ra0, dec0)
        ra0, dec0 = float(east), float(north)
        if np.hypot(*step) < _CLOSE_DEG:
            break
    cd = significant(coefficients[:, 1:3] / size, _DIGITS).ravel()
    one = cd[0] * cd[3] - cd[1] * cd[2]
    bends = np.zeros_like(coefficients)
    for k, (i, j) in enumerate(exponents(degree)):
        if i + j > 1:
            c, d = coefficients[:, k] / size ** (i + j)
            bends[:, k] = (cd[3] * c - cd[1] * d) / one, (cd[0] * d - cd[2] * c) / one
    bends = significant(bends, _DIGITS)
    return SkyMap(
        round(ra0, _PLACE_DIGITS),
        round(dec0, _PLACE_DIGITS),
        *middle,
        (float(cd[0]), float(cd[1]), float(cd[2]), float(cd[3])),
        degree,
        bends[0],
        bends[1],
    )


def inverse_terms(sky_map: SkyMap, shape: tuple[int, int]) -> dict[str, float]:
    """Return the polynomials AP and BP of SIP, which lead from straight pixels to bent ones.

    Readers that invert the map themselves do not need them. They are fitted to places all over the
    grid, two degrees higher than A and B: the inverse of a cubic needs a fifth power.

    Parameters
    ----------
    sky_map : SkyMap
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    """
    degree, size = sky_map.degree + INVERSE_MORE, max(shape) / 2
    y, x = (plane.ravel() for plane in np.mgrid[0 : shape[0] - 1 : 24j, 0 : shape[1] - 1 : 24j])
    u, v = x - sky_map.x, y - sky_map.y
    xi, eta, _ = tangent_plane(*sky_map.sky(x, y), sky_map.ra, sky_map.dec)
    straight = SkyMap(0.0, 0.0, 0.0, 0.0, sky_map.cd)
    far_u, far_v = straight.linear(xi, eta)
    terms = basis(far_u / size, far_v / size, degree)
    found = least_squares(terms, np.stack([u - far_u, v - far_v]), np.ones(len(u)))
    result = {}
    for k, (i, j) in enumerate(exponents(degree)):
        ap, bp = significant(found[:, k] / size ** (i + j), _DIGITS)
        result[f"AP_{i}_{j}"], result[f"BP_{i}_{j}"] = float(ap), float(bp)
    return result
