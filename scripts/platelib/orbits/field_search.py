"""Which of many bodies are in a field: two-body motion for all, integration for the near ones.

Two-body places of the main belt are off by 1 arcsec a month from the epoch and by 0.4 degrees after
some years, those of bodies that pass a planet by more. All bodies within a margin are integrated.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from platelib.orbits.conics import conics
from platelib.orbits.elements import OrbitalElements
from platelib.orbits.ephemeris import Ephemeris, directions, ephemeris
from platelib.orbits.observer import Observer, Site, observer
from platelib.orbits.perturbed import carried

Floats = npt.NDArray[np.float64]

_NIGHT_DAYS = 0.5


@dataclass(frozen=True)
class Field:
    """A circle on the sky: centre, radius, and the margin around it that is searched, degrees."""

    ra_deg: float
    dec_deg: float
    radius_deg: float
    margin_deg: float = 3.0

    @property
    def reach_deg(self) -> float:
        """Radius with the margin, degrees."""
        return min(self.radius_deg + self.margin_deg, 180.0)


@dataclass(frozen=True)
class PredictedPlaces:
    """Places of the bodies near a field.

    Attributes
    ----------
    field : Field
    row : numpy.ndarray
        ``(n,)`` int: which bodies of the elements.
    utc_jd : numpy.ndarray
        ``(t,)``.
    at : tuple of Ephemeris
        One for each time, each of n bodies.
    """

    field: Field
    row: npt.NDArray[np.intp]
    utc_jd: Floats
    at: tuple[Ephemeris, ...]


def predict(
    elements: OrbitalElements, field: Field, utc_jd: npt.ArrayLike, site: Site | None = None
) -> PredictedPlaces:
    """Predict the places of all bodies near a field.

    Parameters
    ----------
    elements : OrbitalElements
    field : Field
    utc_jd : array_like
        ``(t,)`` UTC, Julian days, in any order. All bodies are searched once for each night among
        them (a second for a million bodies).
    site : Site, optional
        None: seen from the centre of the Earth.

    Returns
    -------
    PredictedPlaces
        Of the bodies within field and margin in one of the nights.
    """
    times = np.atleast_1d(np.asarray(utc_jd, dtype=float))
    seen_from = observer(times, site)
    nights = _nights(times)
    rows = _near(elements, field, [_middle(seen_from, night) for night in nights])
    part = elements.part(rows)
    orbits = conics(part)
    found = {}
    for night in nights:
        orbits = carried(orbits, float(_middle(seen_from, night).tt_jd[0]))
        for k in night.tolist():
            found[k] = ephemeris(orbits, part, seen_from, k)
    return PredictedPlaces(field, rows, times, tuple(found[k] for k in range(times.size)))


def _nights(times: Floats) -> list[npt.NDArray[np.intp]]:
    """Return numbers of times in groups that half a day or more separates, in order of time."""
    order = np.argsort(times, kind="stable")
    gaps = np.flatnonzero(np.diff(times[order]) > _NIGHT_DAYS) + 1
    return [group for group in np.split(order, gaps) if group.size]


def _middle(seen_from: Observer, night: npt.NDArray[np.intp]) -> Observer:
    """Return the observer at the time of a night that is nearest to its middle."""
    times = seen_from.tt_jd[night]
    k = night[np.argmin(np.abs(times - times.mean()))]
    return Observer(seen_from.tt_jd[[k]], seen_from.position[[k]], seen_from.velocity[[k]])


def _near(elements: OrbitalElements, field: Field, middles: list[Observer]) -> npt.NDArray[np.intp]:
    """Return the bodies that two-body motion puts near the field at one of some times."""
    ra, dec = np.deg2rad([field.ra_deg, field.dec_deg])
    centre = np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    least = np.cos(np.deg2rad(field.reach_deg))
    near = np.zeros(len(elements), dtype=bool)
    orbits = conics(elements)
    for seen_from in middles:
        toward = directions(orbits, seen_from)
        near |= centre[0] * toward[0] + centre[1] * toward[1] + centre[2] * toward[2] >= least
    return np.flatnonzero(near)
