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

import numpy as np
import numpy.typing as npt
from scipy.integrate import solve_ivp

from platelib.orbits.conics import Conics, States, osculating, two_body
from platelib.orbits.constants import SPEED_OF_LIGHT_AU_D, SUN_MU
from platelib.orbits.perturber_table import PerturberTable, Places
from platelib.orbits.planets import PERTURBER_MASSES, perturbers

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

_TOLERANCE = 1e-11
_LEAST_TOLERANCE = 3e-14
_BLOCK = 1024
_SHORT_DAYS = 1e-6


def carried(orbits: Conics, jd: float, places: Places = perturbers) -> Conics:
    """Integrate orbits from their epochs to one time.

    Bodies are integrated together, in blocks of like spans and perihelion distances, each from its
    own epoch: the common variable is the part of its span. The tolerance of a step falls with the
    root of the number of bodies, so that one with a close approach is as accurate as alone.

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
    span = jd - orbits.epoch_jd
    rows = np.flatnonzero(sound & (np.abs(span) > _SHORT_DAYS))
    if rows.size:
        epochs = orbits.epoch_jd[rows]
        table = PerturberTable(min(epochs.min(), jd), max(epochs.max(), jd), places)
        rows = rows[np.argsort(np.abs(span[rows]) * orbits.perihelion_au[rows] ** -1.5)]
        for start in range(0, rows.size, _BLOCK):
            block = rows[start : start + _BLOCK]
            _integrate(state, block, orbits.epoch_jd, span, table)
    done = np.isfinite(state).all(axis=0)
    with np.errstate(invalid="ignore"):
        reached = osculating(States(state[:3], state[3:]), jd)
    return _replaced(orbits, reached, done)


def _integrate(
    state: Floats, rows: Rows, epochs: Floats, span: Floats, table: PerturberTable
) -> None:
    """Integrate rows of ``state`` in place over their spans; halve the set where it fails."""
    tolerance = max(_TOLERANCE / np.sqrt(rows.size), _LEAST_TOLERANCE)
    with np.errstate(all="ignore"):
        solution = solve_ivp(
            _forces(epochs[rows], span[rows], table),
            (0.0, 1.0),
            state[:, rows].ravel(),
            method="DOP853",
            rtol=tolerance,
            atol=tolerance * 1e-2,
            t_eval=(1.0,),
        )
    if solution.success and solution.y.size:
        state[:, rows] = solution.y[:, -1].reshape(6, -1)
    elif rows.size > 1:
        for half in np.array_split(rows, 2):
            _integrate(state, half, epochs, span, table)
    else:
        state[:, rows] = np.nan


def _forces(
    epochs: Floats, span: Floats, table: PerturberTable
) -> Callable[[float, Floats], Floats]:
    """Return the derivative of the state of bodies by the part of their spans."""
    if np.ptp(epochs) == 0 and np.ptp(span) == 0:  # one place of each perturber serves all
        epochs, span = epochs[:1], span[:1]
    masses = SUN_MU * PERTURBER_MASSES

    def derivative(part: float, flat: Floats) -> Floats:
        state = flat.reshape(6, -1)
        out = np.empty_like(state)
        out[:3] = state[3:]
        out[3:] = _sun(state[:3], state[3:])
        for place, mass in zip(table.at(epochs + part * span), masses, strict=True):
            apart = place - state[:3]
            square = np.einsum("in,in->n", apart, apart)
            out[3:] += mass / (square * np.sqrt(square)) * apart
            far = np.einsum("in,in->n", place, place)
            out[3:] -= mass / (far * np.sqrt(far)) * place
        out *= span
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
