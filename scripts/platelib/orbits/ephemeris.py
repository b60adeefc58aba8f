"""What an observer sees of bodies on conic sections: place, motion, distance, magnitude."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from platelib.orbits.conics import Conics, States, two_body
from platelib.orbits.constants import (
    ARCSEC_PER_RAD,
    LIGHT_DAYS_PER_AU,
    MINUTES_PER_DAY,
    SPEED_OF_LIGHT_AU_D,
    SUN_MU,
)
from platelib.orbits.elements import OrbitalElements
from platelib.orbits.magnitudes import asteroid_magnitude, comet_magnitude
from platelib.orbits.observer import Observer

Floats = npt.NDArray[np.float64]

_CHUNK = 65536


@dataclass(frozen=True)
class Ephemeris:
    """What an observer sees of n bodies at one time; each attribute is ``(n,)``.

    Attributes
    ----------
    ra_deg, dec_deg : numpy.ndarray
        Astrometric place, ICRS: light time is in, aberration and deflection of light are not, as
        in positions measured against catalogued stars.
    rate_ra, rate_dec : numpy.ndarray
        Motion, arcsec/min; ``rate_ra`` along the great circle (times cos Dec), east positive.
    distance_au, sun_au : numpy.ndarray
        From the observer, and from the Sun, when the light left.
    phase_deg : numpy.ndarray
        Angle between Sun and observer at the body.
    magnitude : numpy.ndarray
        V of minor planets, total magnitude of comets; NaN without an absolute magnitude.
    """

    ra_deg: Floats
    dec_deg: Floats
    rate_ra: Floats
    rate_dec: Floats
    distance_au: Floats
    sun_au: Floats
    phase_deg: Floats
    magnitude: Floats

    @property
    def rate(self) -> Floats:
        """Motion, arcsec/min."""
        return np.hypot(self.rate_ra, self.rate_dec)

    @property
    def position_angle_deg(self) -> Floats:
        """Direction of the motion, degrees from north to east."""
        return np.rad2deg(np.arctan2(self.rate_ra, self.rate_dec)) % 360.0


def ephemeris(
    orbits: Conics, elements: OrbitalElements, seen_from: Observer, moment: int = 0
) -> Ephemeris:
    """Return what an observer sees of bodies by two-body motion.

    Parameters
    ----------
    orbits : Conics
        n bodies: those of the elements, or osculating ones near the time (`perturbed`).
    elements : OrbitalElements
        The same n bodies, for their magnitudes.
    seen_from : Observer
    moment : int
        Which of the observer's times.
    """
    sight = _lines_of_sight(orbits, seen_from, moment)
    place, motion, sun = sight.place, sight.motion, sight.sun
    distance = np.sqrt(np.sum(place**2, axis=0))
    level = np.hypot(place[0], place[1])
    with np.errstate(invalid="ignore", divide="ignore"):
        eastward = (place[0] * motion[1] - place[1] * motion[0]) / (level * distance)
        approach = np.sum(place * motion, axis=0) / distance
        northward = (motion[2] - approach * place[2] / distance) / level
        sun_distance = np.sqrt(np.sum(sun**2, axis=0))
        cosine = np.sum(sun * place, axis=0) / (sun_distance * distance)
    phase = np.rad2deg(np.arccos(np.clip(cosine, -1.0, 1.0)))
    to_rate = ARCSEC_PER_RAD / MINUTES_PER_DAY
    return Ephemeris(
        np.rad2deg(np.arctan2(place[1], place[0])) % 360.0,
        np.rad2deg(np.arctan2(place[2], level)),
        eastward * to_rate,
        northward * to_rate,
        distance,
        sun_distance,
        phase,
        _magnitude(elements, sun_distance, distance, phase),
    )


def directions(orbits: Conics, seen_from: Observer, moment: int = 0) -> Floats:
    """Return unit vectors toward bodies, ``(3, n)``: as `ephemeris`, in chunks, and only these."""
    count = orbits.epoch_jd.size
    out = np.empty((3, count))
    for start in range(0, count, _CHUNK):
        rows = slice(start, min(start + _CHUNK, count))
        part = orbits.part(np.arange(rows.start, rows.stop))
        place = _lines_of_sight(part, seen_from, moment).place
        out[:, rows] = place / np.sqrt(np.sum(place**2, axis=0))
    return out


@dataclass(frozen=True)
class _Sight:
    """Vectors ``(3, n)``: observer to body, its change a day, Sun to body."""

    place: Floats
    motion: Floats
    sun: Floats


def _lines_of_sight(orbits: Conics, seen_from: Observer, moment: int) -> _Sight:
    here = seen_from.position[moment][:, np.newaxis]
    speed = seen_from.velocity[moment][:, np.newaxis]
    states = two_body(orbits, float(seen_from.tt_jd[moment]))
    past = _at_emission(states, here)
    place = past.position - here
    toward = place / np.sqrt(np.sum(place**2, axis=0))
    receding = np.sum(toward * (past.velocity - speed), axis=0) * LIGHT_DAYS_PER_AU
    delayed = past.velocity * (1.0 - receding / (1.0 + receding))
    return _Sight(place, delayed - speed, past.position)


def _at_emission(states: States, here: Floats) -> States:
    """Return states when the light left.

    Series to the third order in the light time: its error is below 1e-10 au beyond 0.2 au from the
    Sun for light times of 1 au.
    """
    r, v = states.position, states.velocity
    square = np.sum(r * r, axis=0)
    pull = -SUN_MU * square**-1.5 * r
    jerk = -SUN_MU * square**-1.5 * (v - 3.0 * np.sum(r * v, axis=0) / square * r)
    delay = np.sqrt(np.sum((r - here) ** 2, axis=0)) / SPEED_OF_LIGHT_AU_D
    for _ in range(3):
        past = r - delay * (v - delay * (pull / 2.0 - delay * jerk / 6.0))
        delay = np.sqrt(np.sum((past - here) ** 2, axis=0)) / SPEED_OF_LIGHT_AU_D
    past = r - delay * (v - delay * (pull / 2.0 - delay * jerk / 6.0))
    return States(past, v - delay * (pull - delay * jerk / 2.0))


def _magnitude(
    elements: OrbitalElements, sun_au: Floats, distance_au: Floats, phase_deg: Floats
) -> Floats:
    h, g = elements.absolute_magnitude, elements.slope
    return np.where(
        elements.comet,
        comet_magnitude(h, g, sun_au, distance_au),
        asteroid_magnitude(h, g, sun_au, distance_au, phase_deg),
    )
