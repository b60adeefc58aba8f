"""Carry orbits from their epoch to another time, with the planets as perturbers.

Forces: Sun, eight planets and the Moon as points, each with its pull on the Sun, and the Sun's
first post-Newtonian term. Neglected: minor planets (the largest move main-belt bodies by 0.1 arcsec
in some years), the figures of bodies, forces of outgassing and of radiation, errors of `planets`.

References
----------
Hairer, Norsett & Wanner (1993), Solving Ordinary Differential Equations I (DOP853, in scipy); Will
(1993), Theory and Experiment in Gravitational Physics, for the relativistic term (from memory).
"""

from collections.abc import Callable
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy.integrate import solve_ivp

from platelib.orbits.conics import Conics, States, osculating, two_body
from platelib.orbits.constants import SPEED_OF_LIGHT_AU_D, SUN_MU
from platelib.orbits.planets import PERTURBER_MASSES, perturbers

Floats = npt.NDArray[np.float64]

_TOLERANCE = 1e-11
_BLOCK = 1024
_SHORT_DAYS = 1e-6


class Places(Protocol):
    """Heliocentric positions of the perturbers, ``(9, 3)`` au, at a TT Julian day."""

    def __call__(self, jd: float, /) -> Floats:
        """Return the positions."""


def carried(orbits: Conics, jd: float, places: Places = perturbers) -> Conics:
    """Integrate orbits from their epochs to one time.

    Bodies are integrated together, in blocks of like perihelion distance; a body joins at its
    epoch. The tolerance of a step falls with the root of the number of bodies, so that a single one
    with a close approach is as accurate as alone.

    Parameters
    ----------
    orbits : Conics
        n bodies, of any epochs.
    jd : float
        TT, Julian days.
    places : callable
        Positions of the perturbers; `planets.perturbers` unless a test gives others.

    Returns
    -------
    Conics
        Osculating at `jd`, rows as given. A body whose integration fails, or whose orbit is not
        sound, keeps its conic.
    """
    at_epoch = two_body(orbits, orbits.epoch_jd)
    state = np.concatenate([at_epoch.position, at_epoch.velocity])
    sound = np.isfinite(state).all(axis=0)
    done = np.zeros(sound.size, dtype=bool)
    for direction in (1.0, -1.0):
        side = np.flatnonzero(sound & (direction * (jd - orbits.epoch_jd) >= 0) & ~done)
        side = side[np.argsort(orbits.perihelion_au[side], kind="stable")]
        for start in range(0, side.size, _BLOCK):
            rows = side[start : start + _BLOCK]
            _march(state, rows, orbits.epoch_jd[rows], jd, places, done)
        done[side] |= np.isfinite(state[:, side]).all(axis=0)
    done &= np.isfinite(state).all(axis=0)
    with np.errstate(invalid="ignore"):
        reached = osculating(States(state[:3], state[3:]), jd)
    return _replaced(orbits, reached, done)


def _march(
    state: Floats,
    rows: npt.NDArray[np.intp],
    epochs: Floats,
    jd: float,
    places: Places,
    done: npt.NDArray[np.bool_],
) -> None:
    """Integrate rows of ``state`` in place, from epoch to epoch, each from its own onward."""
    stops = np.unique(np.append(epochs, jd))
    if epochs.size and epochs[0] > jd:
        stops = stops[::-1]
    forward = stops[-1] >= stops[0]
    for begin, end in zip(stops[:-1].tolist(), stops[1:].tolist(), strict=True):
        active = rows[epochs <= begin] if forward else rows[epochs >= begin]
        if abs(end - begin) > _SHORT_DAYS:
            _integrate(state, active, (begin, end), places)
    done[rows] = True


def _integrate(
    state: Floats, rows: npt.NDArray[np.intp], span: tuple[float, float], places: Places
) -> None:
    """Integrate rows of ``state`` over a span of days; halve the set where it fails."""
    rows = rows[np.isfinite(state[:, rows]).all(axis=0)]
    if not rows.size:
        return
    tolerance = max(_TOLERANCE / np.sqrt(rows.size), 3e-14)
    with np.errstate(all="ignore"):
        solution = solve_ivp(
            _forces(span[0], rows.size, places),
            (0.0, span[1] - span[0]),
            state[:, rows].ravel(),
            method="DOP853",
            rtol=tolerance,
            atol=tolerance * 1e-2,
            t_eval=(span[1] - span[0],),
        )
    if solution.success and solution.y.size:
        state[:, rows] = solution.y[:, -1].reshape(6, -1)
    elif rows.size > 1:
        for half in np.array_split(rows, 2):
            _integrate(state, half, span, places)
    else:
        state[:, rows] = np.nan


def _forces(start_jd: float, count: int, places: Places) -> Callable[[float, Floats], Floats]:
    """Return the derivative of the state of ``count`` bodies, time counted from a day."""

    def derivative(time: float, flat: Floats) -> Floats:
        state = flat.reshape(6, count)
        out = np.empty_like(state)
        out[:3] = state[3:]
        out[3:] = _sun(state[:3], state[3:])
        for place, mass in zip(places(start_jd + time), PERTURBER_MASSES, strict=True):
            apart = place[:, np.newaxis] - state[:3]
            square = np.einsum("in,in->n", apart, apart)
            out[3:] += (SUN_MU * mass) * (apart / (square * np.sqrt(square)))
            out[3:] -= (SUN_MU * mass * float(place @ place) ** -1.5) * place[:, np.newaxis]
        return out.ravel()

    return derivative


def _sun(r: Floats, v: Floats) -> Floats:
    """Return the pull of the Sun with its first post-Newtonian term."""
    square = np.einsum("in,in->n", r, r)
    distance = np.sqrt(square)
    strength = SUN_MU / (square * distance)
    radial = 4 * SUN_MU / distance - np.einsum("in,in->n", v, v)
    along = 4 * np.einsum("in,in->n", r, v)
    bend = strength / SPEED_OF_LIGHT_AU_D**2
    return np.asarray((bend * radial - strength) * r + (bend * along) * v)


def _replaced(old: Conics, new: Conics, rows: npt.NDArray[np.bool_]) -> Conics:
    """Return the old conics with some rows from the new ones."""
    return Conics(
        np.where(rows, new.epoch_jd, old.epoch_jd),
        np.where(rows, new.since_perihelion_days, old.since_perihelion_days),
        np.where(rows, new.perihelion_au, old.perihelion_au),
        np.where(rows, new.eccentricity, old.eccentricity),
        np.where(rows, new.toward_perihelion, old.toward_perihelion),
        np.where(rows, new.along_motion, old.along_motion),
    )
