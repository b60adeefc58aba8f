"""Places on the celestial sphere: distances, proper motion, the tangent plane.

All angles are degrees, ICRS.
"""

import numpy as np
import numpy.typing as npt

Angles = npt.NDArray[np.float64]


def separation_deg(
    ra1: npt.ArrayLike, dec1: npt.ArrayLike, ra2: npt.ArrayLike, dec2: npt.ArrayLike
) -> Angles:
    """Return the angle between places, exact for small angles and for large ones.

    Parameters
    ----------
    ra1, dec1, ra2, dec2 : array_like
        Degrees.

    References
    ----------
    Vincenty's formula for a sphere (Survey Review 23, 88, 1975, eq. 17 with no flattening); the
    angle between places is chapter 17 of Meeus, Astronomical Algorithms.
    """
    one, other = np.deg2rad(np.asarray(dec1, float)), np.deg2rad(np.asarray(dec2, float))
    turn = np.deg2rad(np.asarray(ra2, float) - np.asarray(ra1, float))
    across = np.cos(other) * np.sin(turn)
    up = np.cos(one) * np.sin(other) - np.sin(one) * np.cos(other) * np.cos(turn)
    along = np.sin(one) * np.sin(other) + np.cos(one) * np.cos(other) * np.cos(turn)
    return np.asarray(np.rad2deg(np.arctan2(np.hypot(across, up), along)))


def tangent_plane(
    ra: npt.ArrayLike, dec: npt.ArrayLike, ra0: float, dec0: float
) -> tuple[Angles, Angles, npt.NDArray[np.bool_]]:
    """Project places onto the plane that touches the sphere in one of them.

    Parameters
    ----------
    ra, dec : array_like
        Degrees.
    ra0, dec0 : float
        Where the plane touches.

    Returns
    -------
    xi, eta : numpy.ndarray
        Degrees, east and north positive.
    ahead : numpy.ndarray
        Whether the place lies in the hemisphere that the plane can show.

    References
    ----------
    Gnomonic projection: Calabretta & Greisen (2002), A&A 395, 1077, section 5.1.3.
    """
    turn = np.deg2rad(np.asarray(ra, float) - ra0)
    high, high0 = np.deg2rad(np.asarray(dec, float)), np.deg2rad(dec0)
    cosine = np.sin(high) * np.sin(high0) + np.cos(high) * np.cos(high0) * np.cos(turn)
    ahead = cosine > 1e-3
    below = np.where(ahead, cosine, 1.0)
    xi = np.cos(high) * np.sin(turn) / below
    eta = (np.sin(high) * np.cos(high0) - np.cos(high) * np.sin(high0) * np.cos(turn)) / below
    return np.rad2deg(xi), np.rad2deg(eta), ahead


def from_tangent_plane(
    xi: npt.ArrayLike, eta: npt.ArrayLike, ra0: float, dec0: float
) -> tuple[Angles, Angles]:
    """Return the places, degrees, of points of a tangent plane; the inverse of `tangent_plane`."""
    x, y = np.deg2rad(np.asarray(xi, float)), np.deg2rad(np.asarray(eta, float))
    high0 = np.deg2rad(dec0)
    below = np.cos(high0) - y * np.sin(high0)
    ra = np.rad2deg(np.arctan2(x, below)) + ra0
    dec = np.rad2deg(np.arctan2(np.sin(high0) + y * np.cos(high0), np.hypot(x, below)))
    return np.mod(ra, 360.0), np.asarray(dec)


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
        mas/yr, that in right ascension times the cosine of the declination.
    years : array_like
        Julian years from the epoch of the places on.

    Returns
    -------
    ra, dec : numpy.ndarray
        Degrees. The motion is followed along a great circle, as the tangent plane of the place
        shows it; parallax and radial motion are left away.
    """
    step = np.asarray(years, float) / 3.6e6
    xi, eta = np.asarray(pm_ra, float) * step, np.asarray(pm_dec, float) * step
    x, y, high = np.deg2rad(xi), np.deg2rad(eta), np.deg2rad(np.asarray(dec, float))
    below = np.cos(high) - y * np.sin(high)
    new_ra = np.asarray(ra, float) + np.rad2deg(np.arctan2(x, below))
    new_dec = np.rad2deg(np.arctan2(np.sin(high) + y * np.cos(high), np.hypot(x, below)))
    return np.mod(new_ra, 360.0), np.asarray(new_dec)
