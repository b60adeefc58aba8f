"""Airmass and atmospheric extinction."""

import math

import erfa
import numpy as np
import numpy.typing as npt

_METRES_A_SCALE_HEIGHT = 8434.5
_SEA_LEVEL_HPA = 1013.25


def airmass(altitude_deg: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return the airmass at an apparent altitude; NaN below the horizon.

    References
    ----------
    Pickering (2002), The Southern Limits of the Ancient Star Catalog, DIO 12, 1, footnote 39:
    ``X = 1 / sin(h + 244 / (165 + 47 h^1.1))``, h in degrees.
    """
    altitude = np.asarray(altitude_deg, dtype=np.float64)
    above = np.where(altitude >= 0, altitude, np.nan)
    return np.asarray(1.0 / np.sin(np.deg2rad(above + 244.0 / (165.0 + 47.0 * above**1.1))))


def altitude_deg(
    ra: float,
    dec: float,
    mjd_utc: npt.ArrayLike,
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float = 0.0,
) -> npt.NDArray[np.float64]:
    """Return the apparent altitude of a sky position.

    Parameters
    ----------
    ra, dec : float
        ICRS, degrees.
    mjd_utc : array_like
        Modified Julian Dates, UTC. UT1 is taken for the same, which it is within 0.9 s, or 14
        arc seconds.
    latitude_deg, longitude_deg : float
        Of the site, north and east positive.
    elevation_m : float
        Height, from which the pressure follows that refraction depends on.

    References
    ----------
    IAU SOFA, function ``atco13`` (by pyerfa), refraction for 10 deg C and 500 nm.
    """
    days = np.asarray(mjd_utc, dtype=np.float64)
    pressure = _SEA_LEVEL_HPA * math.exp(-elevation_m / _METRES_A_SCALE_HEIGHT)
    _, zenith, *_ = erfa.atco13(
        *(math.radians(ra), math.radians(dec), 0.0, 0.0, 0.0, 0.0),
        *(2400000.5, days, 0.0),
        *(math.radians(longitude_deg), math.radians(latitude_deg), elevation_m, 0.0, 0.0),
        *(pressure, 10.0, 0.5, 0.5),
    )
    return np.asarray(90.0 - np.rad2deg(zenith))
