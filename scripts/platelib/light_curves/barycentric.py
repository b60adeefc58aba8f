"""Times as a clock at the barycentre of the solar system would show them: BJD(TDB)."""

import math
import warnings

import erfa
import numpy as np

from platelib.orbits.observer import Site

_LIGHT_TIME_D_PER_AU = 499.004783836 / 86400
"""IAU 2009 system of constants: astronomical unit over speed of light."""


def bjd_tdb(
    jd_utc: np.ndarray, ra_deg: np.ndarray, dec_deg: np.ndarray, site: Site | None = None
) -> np.ndarray:
    """Return barycentric Julian Dates in TDB of mid-exposures in UTC.

    Parameters
    ----------
    jd_utc : numpy.ndarray
        ``(n_times,)`` float64.
    ra_deg, dec_deg : numpy.ndarray
        ``(n_stars,)`` float64, ICRS.
    site : Site, optional
        Without it, the centre of the Earth: up to 0.021 s off.

    Returns
    -------
    numpy.ndarray
        ``(n_times, n_stars)`` float64.

    References
    ----------
    Eastman, Siverd & Gaudi (2010), PASP 122, 935. Earth and observer: IAU SOFA, functions ``epv00``
    (VSOP2000, 5 km or 0.00002 s over 1900 to 2100), ``dtdb`` and ``apco13``, by pyerfa, which
    astropy uses too. No file, network or table of the Earth's rotation is needed: UT1 is taken for
    UTC, which moves the observer by 0.4 km, 2 microseconds.
    """
    days = np.asarray(jd_utc, dtype=np.float64)
    whole, part = np.floor(days), days - np.floor(days)
    with warnings.catch_warnings():
        # Leap seconds that are not announced yet: dates are called dubious.
        warnings.simplefilter("ignore", erfa.ErfaWarning)
        tdb, tt = _tdb(whole, part, site)
        place = _observer_au(whole, part, tt, site)
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    star = np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    ahead = sum(place[:, k, None] * star[k] for k in range(3))
    return whole[:, None] + (tdb[:, None] + ahead * _LIGHT_TIME_D_PER_AU)


def _tdb(
    whole: np.ndarray, part: np.ndarray, site: Site | None
) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray]]:
    """Return TDB less the whole days, and TT in two parts."""
    tt = erfa.taitt(*erfa.utctai(whole, part))
    east, from_axis, above_equator = 0.0, 0.0, 0.0
    if site is not None:
        east = math.radians(site.longitude_deg)
        xyz = erfa.gd2gc(1, east, math.radians(site.latitude_deg), site.height_m) / 1000
        from_axis, above_equator = math.hypot(xyz[0], xyz[1]), xyz[2]
    fraction = np.mod(part + 0.5, 1.0)  # of the day in UT
    seconds = erfa.dtdb(*tt, fraction, east, from_axis, above_equator)
    return (tt[0] - whole) + tt[1] + seconds / 86400, tt


def _observer_au(
    whole: np.ndarray, part: np.ndarray, tt: tuple[np.ndarray, np.ndarray], site: Site | None
) -> np.ndarray:
    """Return barycentric places, ``(n, 3)``, astronomical units."""
    if site is None:
        return np.asarray(erfa.epv00(*tt)[1]["p"])
    where = (math.radians(site.longitude_deg), math.radians(site.latitude_deg), site.height_m)
    astrometry, _ = erfa.apco13(whole, part, 0.0, *where, 0.0, 0.0, 0.0, 0.0, 0.0, 0.5)
    return np.asarray(astrometry["eb"])
