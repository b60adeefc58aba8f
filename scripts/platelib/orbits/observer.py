"""Where the observer is: time scales, and the site on the turning Earth."""

from dataclasses import dataclass

import erfa
import numpy as np
import numpy.typing as npt

from platelib.orbits.constants import EARTH_ROTATION_RAD_D, M_PER_AU
from platelib.orbits.kepler import Floats
from platelib.orbits.planets import earth

_WGS84 = 1
_SECONDS_PER_DAY = 86400.0


@dataclass(frozen=True)
class Site:
    """A place on the Earth (WGS84): longitude, east positive; latitude; height, m."""

    longitude_deg: float
    latitude_deg: float
    height_m: float = 0.0

    def __post_init__(self) -> None:
        """Refuse angles out of range."""
        if not (abs(self.latitude_deg) <= 90 and abs(self.longitude_deg) <= 360):
            msg = (
                f"no site at longitude {self.longitude_deg}, latitude {self.latitude_deg}: "
                "give degrees, latitude from -90 to 90, longitude east positive"
            )
            raise ValueError(msg)


@dataclass(frozen=True)
class Observer:
    """Heliocentric place of the observer at times.

    Attributes
    ----------
    tt_jd : numpy.ndarray
        ``(t,)`` TT, Julian days.
    position, velocity : numpy.ndarray
        ``(t, 3)`` au and au/d, axes of the ICRS, from the Sun.
    """

    tt_jd: Floats
    position: Floats
    velocity: Floats


def terrestrial_time(utc_jd: npt.ArrayLike) -> Floats:
    """Return TT, Julian days, of UTC, Julian days, with the leap seconds that ERFA knows."""
    days = np.asarray(utc_jd, dtype=float)
    whole = np.floor(days - 0.5) + 0.5
    first, second, _ = erfa.ufunc.utctai(whole, days - whole)
    first, second, _ = erfa.ufunc.taitt(first, second)
    return np.asarray(first + second)


def observer(utc_jd: npt.ArrayLike, site: Site | None = None, ut1_utc_s: float = 0.0) -> Observer:
    """Return where an observer is.

    Parameters
    ----------
    utc_jd : array_like
        ``(t,)`` UTC, Julian days.
    site : Site, optional
        None: the centre of the Earth.
    ut1_utc_s : float
        UT1 - UTC, s, below 0.9. Left at 0, the site is wrong by 0.4 km at most: 0.0006 arcsec for a
        body at 1 au, 0.06 arcsec at 0.01 au. Polar motion (10 m) is neglected.
    """
    utc = np.atleast_1d(np.asarray(utc_jd, dtype=float))
    tt = terrestrial_time(utc)
    position, velocity = earth(tt)
    if site is not None:
        place, speed = _site_vectors(utc + ut1_utc_s / _SECONDS_PER_DAY, tt, site)
        position, velocity = position + place, velocity + speed
    return Observer(tt, position, velocity)


def _site_vectors(ut1: Floats, tt: Floats, site: Site) -> tuple[Floats, Floats]:
    """Return geocentric position, au, and velocity, au/d, of a site, ``(t, 3)``."""
    longitude, latitude = np.deg2rad([site.longitude_deg, site.latitude_deg])
    fixed = erfa.gd2gc(_WGS84, longitude, latitude, site.height_m) / M_PER_AU
    moving = EARTH_ROTATION_RAD_D * np.array([-fixed[1], fixed[0], 0.0])
    to_terrestrial = erfa.c2t06a(tt, 0.0, ut1, 0.0, 0.0, 0.0)
    return (
        np.einsum("tji,j->ti", to_terrestrial, fixed),
        np.einsum("tji,j->ti", to_terrestrial, moving),
    )
