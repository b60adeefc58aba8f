"""Orbits as conic sections in space: places by two-body motion, and conics through places."""

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from platelib.orbits.constants import GAUSS_K, OBLIQUITY_RAD, SUN_MU
from platelib.orbits.elements import OrbitalElements
from platelib.orbits.kepler import Floats, solve, stumpff

_NEARLY_CIRCULAR = 1e-11


@dataclass(frozen=True)
class Conics:
    """Heliocentric conic sections of n bodies.

    Attributes
    ----------
    epoch_jd, since_perihelion_days : numpy.ndarray
        ``(n,)`` TT, Julian days; epoch minus time of perihelion.
    perihelion_au, eccentricity : numpy.ndarray
        ``(n,)``.
    toward_perihelion, along_motion : numpy.ndarray
        ``(3, n)`` unit vectors, equator of J2000: from the Sun to perihelion, and along the
        velocity there.
    """

    epoch_jd: Floats
    since_perihelion_days: Floats
    perihelion_au: Floats
    eccentricity: Floats
    toward_perihelion: Floats
    along_motion: Floats

    def part(self, rows: npt.ArrayLike) -> "Conics":
        """Return the conics of some rows: numbers, or a mask."""
        index = np.asarray(rows)
        return Conics(*(getattr(self, one.name)[..., index] for one in fields(self)))


@dataclass(frozen=True)
class States:
    """Heliocentric position, au, and velocity, au/d: ``(3, n)``, equator of J2000."""

    position: Floats
    velocity: Floats


def conics(elements: OrbitalElements) -> Conics:
    """Return the conic sections of elements: their angles as vectors on the equator of J2000.

    The vectors are Gauss's. Elements on the ecliptic of J2000 turn by the obliquity of IAU 1976;
    the axes of the ICRS differ from the result by 0.02 arcsec, which is neglected.
    """
    node, tilt, turn = (
        np.deg2rad(a) for a in (elements.node_deg, elements.inclination_deg, elements.argument_deg)
    )
    cos_node, sin_node = np.cos(node), np.sin(node)
    cos_tilt, sin_tilt = np.cos(tilt), np.sin(tilt)
    cos_turn, sin_turn = np.cos(turn), np.sin(turn)
    ascending = (cos_node, sin_node, np.zeros_like(node))
    northward = (-sin_node * cos_tilt, cos_node * cos_tilt, sin_tilt)
    toward = [cos_turn * a + sin_turn * b for a, b in zip(ascending, northward, strict=True)]
    along = [cos_turn * b - sin_turn * a for a, b in zip(ascending, northward, strict=True)]
    return Conics(
        elements.epoch_jd,
        elements.since_perihelion_days,
        elements.perihelion_au,
        elements.eccentricity,
        _equatorial(toward),
        _equatorial(along),
    )


def two_body(orbits: Conics, jd: npt.ArrayLike) -> States:
    """Return position and velocity by two-body motion.

    Parameters
    ----------
    orbits : Conics
        n bodies.
    jd : array_like
        TT, Julian days: a number, or ``(n,)``.

    Returns
    -------
    States
        NaN for rows without a sound orbit.
    """
    q, e = orbits.perihelion_au, orbits.eccentricity
    time = GAUSS_K * (np.asarray(jd) - orbits.epoch_jd + orbits.since_perihelion_days)
    s, c2, c3 = solve(time, q, e)
    square = s * s
    with np.errstate(invalid="ignore"):
        width = np.sqrt(q * (1.0 + e))
        turned = square * (1.0 - e) / q
        c1 = 1.0 - turned * c3
        distance = q + e * square * c2
        x, y = q - square * c2, width * s * c1
        speed_x = -GAUSS_K * s * c1 / distance
        speed_y = GAUSS_K * width * (1.0 - turned * c2) / distance
    return States(
        x * orbits.toward_perihelion + y * orbits.along_motion,
        speed_x * orbits.toward_perihelion + speed_y * orbits.along_motion,
    )


def osculating(states: States, jd: npt.ArrayLike) -> Conics:
    """Return the conic sections through states: the inverse of `two_body`.

    Parameters
    ----------
    states : States
        n bodies.
    jd : array_like
        TT, Julian days, of the states: a number, or ``(n,)``. It becomes the epoch.
    """
    r, v = states.position, states.velocity
    distance = np.sqrt(np.sum(r * r, axis=0))
    momentum = np.cross(r, v, axis=0)
    semilatus = np.sum(momentum**2, axis=0) / SUN_MU
    vector = np.cross(v, momentum, axis=0) / SUN_MU - r / distance
    e = np.sqrt(np.sum(vector**2, axis=0))
    round_ = e < _NEARLY_CIRCULAR
    toward = np.where(round_, r / distance, vector / np.where(round_, 1.0, e))
    along = np.cross(momentum, toward, axis=0) / np.sqrt(np.sum(momentum**2, axis=0))
    q = semilatus / (1.0 + e)
    s = _universal(np.sum(r * toward, axis=0), np.sum(r * along, axis=0), q, e)
    _, c3 = stumpff((1.0 - e) / q * s * s)
    since = (q * s + e * s**3 * c3) / GAUSS_K
    epoch = np.array(np.broadcast_to(np.asarray(jd, dtype=float), e.shape))
    return Conics(epoch, since, q, e, toward, along)


def _universal(x: Floats, y: Floats, q: Floats, e: Floats) -> Floats:
    """Return the universal variable of points of conics in their own plane.

    With ``u = 2 sqrt(q / (1 + e)) tan(nu / 2)``, s is ``2 arctan(w u / 2) / w``, ``w^2 = (1-e)/q``.
    """
    distance = np.hypot(x, y)
    alpha = (1.0 - e) / q
    w = np.sqrt(np.abs(alpha))
    base = np.sqrt(q / (1.0 + e))
    rise = np.where(x > 0, np.abs(y), distance - x)  # without cancellation on either side
    run = np.where(x > 0, distance + x, np.abs(y))
    with np.errstate(all="ignore"):  # each form holds for some of the rows
        u = np.copysign(2.0 * base * rise / run, y)
        closed = np.copysign(2.0 * np.arctan2(w * base * rise, run) / w, y)
        open_ = 2.0 * np.arctanh(np.minimum(np.maximum(w * u / 2.0, -1.0), 1.0)) / w
        z = alpha * u * u / 4.0
        series = u * (1.0 - z * (1 / 3 - z * (1 / 5 - z * (1 / 7 - z * (1 / 9 - z / 11)))))
        return np.where(np.abs(z) < 1e-3, series, np.where(alpha > 0, closed, open_))


def _equatorial(vector: list[Floats]) -> Floats:
    cosine, sine = np.cos(OBLIQUITY_RAD), np.sin(OBLIQUITY_RAD)
    x, y, z = vector
    return np.stack([x, cosine * y - sine * z, sine * y + cosine * z])
