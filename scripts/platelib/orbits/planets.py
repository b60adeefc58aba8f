"""Sun, Earth, Moon and planets, from formulae alone.

Earth: VSOP2000 as fitted to DE405 (erfa.epv00: 1 km rms, 1900-2100). Planets: Simon et al. (1994),
A&A 282, 663 (erfa.plan94, 1800-2050: some arcsec for inner planets, up to 1.5 arcmin for Saturn).
Moon: Meeus (1998), chapter 47 (erfa.moon98). Masses relative to the Sun: IAU 2009.
"""

import erfa
import numpy as np
import numpy.typing as npt

from platelib.orbits.kepler import Floats

_OTHER_PLANETS = np.array([1, 2, 4, 5, 6, 7, 8])
_MOON_TO_EARTH = 0.0123000371
_EARTH_AND_MOON = 328900.56
PERTURBER_MASSES = 1.0 / np.array(
    [
        6023600.0,
        408523.719,
        3098703.59,
        1047.348644,
        3497.9018,
        22902.98,
        19412.26,
        _EARTH_AND_MOON * (1 + _MOON_TO_EARTH),
        _EARTH_AND_MOON * (1 + 1 / _MOON_TO_EARTH),
    ]
)
"""Mercury, Venus, Mars, Jupiter, Saturn, Uranus, Neptune, Earth, Moon; in masses of the Sun."""


def earth(tdb_jd: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return the heliocentric position, au, and velocity, au/d, of the centre of the Earth.

    Parameters
    ----------
    tdb_jd : array_like
        TDB, Julian days; TT differs by 2 ms at most, in which the Earth moves 60 m.

    Returns
    -------
    position, velocity : numpy.ndarray
        ``(..., 3)`` on the axes of the ICRS; velocity relative to the Sun.
    """
    day, fraction = _two_parts(tdb_jd)
    heliocentric, _, _ = erfa.ufunc.epv00(day, fraction)
    return heliocentric["p"], heliocentric["v"]


def perturbers(tdb_jd: npt.ArrayLike) -> Floats:
    """Return heliocentric positions of the bodies of `PERTURBER_MASSES`, au, ``(..., 9, 3)``.

    Their axes are those of the equator of J2000, 0.02 arcsec from those of the ICRS.
    """
    day, fraction = _two_parts(tdb_jd)
    places, _ = erfa.ufunc.plan94(day[..., np.newaxis], fraction[..., np.newaxis], _OTHER_PLANETS)
    heliocentric, _, _ = erfa.ufunc.epv00(day, fraction)
    here = heliocentric["p"]
    moon = here + erfa.ufunc.moon98(day, fraction)["p"]
    return np.concatenate(
        [places["p"], here[..., np.newaxis, :], moon[..., np.newaxis, :]], axis=-2
    )


def _two_parts(jd: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Split days so that none of their fraction is lost."""
    days = np.asarray(jd, dtype=float)
    whole = np.floor(days)
    return whole, days - whole
