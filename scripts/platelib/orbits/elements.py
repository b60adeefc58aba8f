"""Orbital elements of many bodies, as arrays."""

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from platelib.orbits.constants import GAUSS_K

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class OrbitalElements:
    """Osculating heliocentric elements of n bodies, ecliptic and equinox of J2000.

    Attributes
    ----------
    designation : numpy.ndarray
        ``(n,)`` text: number, designation, name as the source has them.
    epoch_jd : numpy.ndarray
        ``(n,)`` epoch of osculation, TT, Julian days.
    since_perihelion_days : numpy.ndarray
        ``(n,)`` epoch minus time of perihelion.
    perihelion_au, eccentricity : numpy.ndarray
        ``(n,)`` perihelion distance, and eccentricity from 0 to above 1.
    inclination_deg, node_deg, argument_deg : numpy.ndarray
        ``(n,)`` inclination, longitude of the ascending node, argument of perihelion.
    absolute_magnitude, slope : numpy.ndarray
        ``(n,)`` H and G of minor planets, M1 and n of comets (`magnitudes`); NaN where unknown.
    comet : numpy.ndarray
        ``(n,)`` bool: whether the magnitude is that of a comet.
    """

    designation: np.ndarray
    epoch_jd: Floats
    since_perihelion_days: Floats
    perihelion_au: Floats
    eccentricity: Floats
    inclination_deg: Floats
    node_deg: Floats
    argument_deg: Floats
    absolute_magnitude: Floats
    slope: Floats
    comet: npt.NDArray[np.bool_]

    def __post_init__(self) -> None:
        """Refuse arrays of different lengths."""
        lengths = {one.name: getattr(self, one.name).shape for one in fields(self)}
        if len(set(lengths.values())) != 1 or len(self.designation.shape) != 1:
            msg = f"the elements of n bodies are arrays of the shape (n,), not {lengths}"
            raise ValueError(msg)

    def __len__(self) -> int:
        """Return the number of bodies."""
        return int(self.designation.size)

    def part(self, rows: npt.ArrayLike) -> "OrbitalElements":
        """Return the elements of some rows: numbers, or a mask."""
        index = np.asarray(rows)
        return OrbitalElements(*(getattr(self, one.name)[index] for one in fields(self)))


@dataclass(frozen=True)
class Orientation:
    """How orbits lie: the three angles, degrees, ecliptic and equinox of J2000, each ``(n,)``."""

    inclination_deg: npt.ArrayLike
    node_deg: npt.ArrayLike
    argument_deg: npt.ArrayLike


@dataclass(frozen=True)
class Brightness:
    """Magnitude parameters, each ``(n,)``: H and G, or M1 and n where ``comet`` is set."""

    absolute_magnitude: npt.ArrayLike
    slope: npt.ArrayLike
    comet: npt.ArrayLike = False


def elements_by_anomaly(
    designation: npt.ArrayLike,
    epoch_jd: npt.ArrayLike,
    mean_anomaly_deg: npt.ArrayLike,
    semimajor_axis_au: npt.ArrayLike,
    eccentricity: npt.ArrayLike,
    orientation: Orientation,
    brightness: Brightness,
) -> OrbitalElements:
    """Make elements of closed orbits from the mean anomaly at the epoch.

    Parameters
    ----------
    designation : array_like
        ``(n,)`` text.
    epoch_jd, mean_anomaly_deg, semimajor_axis_au, eccentricity : array_like
        ``(n,)``; TT days, degrees, au, below 1.
    orientation : Orientation
    brightness : Brightness

    Returns
    -------
    OrbitalElements
        Its mean motion is that of the semimajor axis: ``k a^(-3/2)``.
    """
    axis = np.asarray(semimajor_axis_au, dtype=float)
    anomaly = np.deg2rad((np.asarray(mean_anomaly_deg, dtype=float) + 180.0) % 360.0 - 180.0)
    since = anomaly * axis**1.5 / GAUSS_K
    perihelion = axis * (1.0 - np.asarray(eccentricity, dtype=float))
    return _elements(
        designation, (epoch_jd, since, perihelion, eccentricity), orientation, brightness
    )


def elements_by_perihelion(
    designation: npt.ArrayLike,
    epoch_jd: npt.ArrayLike,
    perihelion_jd: npt.ArrayLike,
    perihelion_au: npt.ArrayLike,
    eccentricity: npt.ArrayLike,
    orientation: Orientation,
    brightness: Brightness,
) -> OrbitalElements:
    """Make elements of any orbits from time (TT, Julian days) and distance (au) of perihelion.

    Where `epoch_jd` is NaN, the epoch is the time of perihelion. The other parameters are those of
    `elements_by_anomaly`.
    """
    passage = np.asarray(perihelion_jd, dtype=float)
    epoch = np.asarray(epoch_jd, dtype=float)
    epoch = np.where(np.isnan(epoch), passage, epoch)
    since = epoch - passage
    return _elements(
        designation, (epoch, since, perihelion_au, eccentricity), orientation, brightness
    )


def _elements(
    designation: npt.ArrayLike,
    shape: tuple[npt.ArrayLike, ...],
    orientation: Orientation,
    brightness: Brightness,
) -> OrbitalElements:
    names = np.atleast_1d(np.asarray(designation))

    def column(values: npt.ArrayLike) -> Floats:
        return np.array(np.broadcast_to(np.asarray(values, dtype=float), names.shape))

    epoch, since, perihelion, eccentricity = (column(one) for one in shape)
    return OrbitalElements(
        designation=names,
        epoch_jd=epoch,
        since_perihelion_days=since,
        perihelion_au=perihelion,
        eccentricity=eccentricity,
        inclination_deg=column(orientation.inclination_deg),
        node_deg=column(orientation.node_deg),
        argument_deg=column(orientation.argument_deg),
        absolute_magnitude=column(brightness.absolute_magnitude),
        slope=column(brightness.slope),
        comet=np.array(np.broadcast_to(np.asarray(brightness.comet, dtype=bool), names.shape)),
    )
