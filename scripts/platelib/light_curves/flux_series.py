"""Fluxes of the stars of a channel in all of its subs: what light curves are made of."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

_NIGHT_GAP_D = 0.25


@dataclass(frozen=True, eq=False)
class FluxSeries:
    """Fluxes of stars in subs, in one or several apertures.

    Attributes
    ----------
    flux, error : numpy.ndarray
        ``(n_apertures, n_subs, n_stars)`` float64: flux above the local sky and its error by photon
        and read noise, in one unit for all, per exposure or per second. NaN = no measurement
        (outside the sub, saturated, masked). An aperture of a fixed radius and one that follows the
        FWHM of the sub are two apertures.
    time_jd : numpy.ndarray
        ``(n_subs,)`` float64: mid-exposure, Julian Date, UTC; ascending.
    exposure_s : numpy.ndarray
        ``(n_subs,)`` float64.
    place : numpy.ndarray
        ``(n_stars, 2)`` float64: x and y on the grid, that is, on the sky; pixels.
    magnitude : numpy.ndarray
        ``(n_stars,)`` float64: mean magnitude of the star in the channel.
    airmass : numpy.ndarray
        ``(n_subs,)`` float64; NaN where unknown.
    transparency : numpy.ndarray
        ``(n_subs,)`` float64: flux of stars in the sub over that in the clearest; NaN if unknown.
    sensor : numpy.ndarray or None
        ``(n_subs, n_stars, 2)`` float64: x and y on the sensor, pixels; NaN if unknown. None if
        all are unknown.
    colour : numpy.ndarray
        ``(n_stars,)`` float64, magnitudes; NaN where unknown.
    fwhm_px : numpy.ndarray
        ``(n_subs,)`` float64; NaN where unknown.
    """

    flux: np.ndarray
    error: np.ndarray
    time_jd: np.ndarray
    exposure_s: np.ndarray
    place: np.ndarray
    magnitude: np.ndarray
    airmass: np.ndarray
    transparency: np.ndarray
    colour: np.ndarray
    fwhm_px: np.ndarray
    sensor: np.ndarray | None = None

    def __post_init__(self) -> None:
        if self.flux.ndim != 3 or self.flux.shape != self.error.shape:
            msg = (
                f"fluxes {self.flux.shape} and errors {self.error.shape} must have one shape: "
                "apertures, subs, stars"
            )
            raise ValueError(msg)
        for name in ("time_jd", "exposure_s", "airmass", "transparency", "fwhm_px"):
            self._check(name, (self.n_subs,))
        for name in ("magnitude", "colour"):
            self._check(name, (self.n_stars,))
        self._check("place", (self.n_stars, 2))
        if self.sensor is not None:
            self._check("sensor", (self.n_subs, self.n_stars, 2))
        if not (np.diff(self.time_jd) >= 0).all():
            msg = "the subs of a flux series must be in order of time"
            raise ValueError(msg)

    def _check(self, name: str, shape: tuple[int, ...]) -> None:
        found = np.shape(getattr(self, name))
        if found != shape:
            msg = f"{name} of a flux series has shape {found}; expected {shape}"
            raise ValueError(msg)

    @property
    def n_apertures(self) -> int:
        """Number of apertures."""
        return self.flux.shape[0]

    @property
    def n_subs(self) -> int:
        """Number of subs."""
        return self.flux.shape[1]

    @property
    def n_stars(self) -> int:
        """Number of stars."""
        return self.flux.shape[2]

    @cached_property
    def night(self) -> np.ndarray:
        """``(n_subs,)`` int: number of the night of each sub."""
        return night_numbers(self.time_jd)

    def of_stars(self, stars: np.ndarray) -> "FluxSeries":
        """Return the series of some stars, given by their numbers or by a mask."""
        return replace(
            self,
            flux=self.flux[:, :, stars],
            error=self.error[:, :, stars],
            place=self.place[stars],
            magnitude=self.magnitude[stars],
            colour=self.colour[stars],
            sensor=None if self.sensor is None else self.sensor[:, stars],
        )


def night_numbers(time_jd: np.ndarray, gap_d: float = _NIGHT_GAP_D) -> np.ndarray:
    """Count the nights of a series.

    Parameters
    ----------
    time_jd : numpy.ndarray
        ``(n,)`` float64, ascending.
    gap_d : float
        A longer pause is a day: 0.25 d is less than the shortest day outside the polar circles.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` int64, from 0.
    """
    return np.cumsum(np.diff(time_jd, prepend=time_jd[:1]) > gap_d)
