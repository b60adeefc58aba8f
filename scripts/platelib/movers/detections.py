"""Detections of a night and the subs that they are from."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

Covered = Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray]
"""Take numbers of subs and places x, y, of one shape; return whether a sub has data there."""

MINUTES_PER_DAY = 1440.0


@dataclass(frozen=True)
class Subs:
    """The subs of a night, of all channels, in any order.

    Attributes
    ----------
    time_d : numpy.ndarray
        ``(n,)`` float64: middle of the exposure, days.
    exposure_s : numpy.ndarray
        ``(n,)`` float64.
    channel : numpy.ndarray
        ``(n,)`` int64: number of the channel.
    threshold : numpy.ndarray
        ``(n,)`` float64: signal-to-noise above which detections are listed.
    flux_error : numpy.ndarray
        ``(n,)`` float64: usual error of the flux of a faint point source.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    """

    time_d: np.ndarray
    exposure_s: np.ndarray
    channel: np.ndarray
    threshold: np.ndarray
    flux_error: np.ndarray
    shape: tuple[int, int]

    def __len__(self) -> int:
        """Return the number of subs."""
        return len(self.time_d)

    @property
    def minutes(self) -> np.ndarray:
        """Minutes since the middle between the first and the last sub, ``(n,)``."""
        middle = (self.time_d.min() + self.time_d.max()) / 2
        return np.asarray((self.time_d - middle) * MINUTES_PER_DAY)

    def inside(self, sub: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Return whether places are on the grid: `Covered` without masks."""
        ny, nx = self.shape
        return (x >= -0.5) & (y >= -0.5) & (x < nx - 0.5) & (y < ny - 0.5)


@dataclass(frozen=True)
class Detections:
    """Detections of difference images, one row each, in any order.

    Attributes
    ----------
    sub : numpy.ndarray
        ``(n,)`` int64: number of the sub.
    x, y : numpy.ndarray
        ``(n,)`` float64: grid pixels. On a grid with distortion, pixels of its tangent plane, on
        which great circles are straight.
    sigma_px : numpy.ndarray
        ``(n,)`` float64: error of the place along an axis, px.
    snr : numpy.ndarray
        ``(n,)`` float64: signal-to-noise.
    flux, flux_error : numpy.ndarray
        ``(n,)`` float64, in the unit of the channel.
    flags : numpy.ndarray
        ``(n,)`` int64: detections with flags other than 0 are left out.
    """

    sub: np.ndarray
    x: np.ndarray
    y: np.ndarray
    sigma_px: np.ndarray
    snr: np.ndarray
    flux: np.ndarray
    flux_error: np.ndarray
    flags: np.ndarray

    def __len__(self) -> int:
        """Return the number of detections."""
        return len(self.x)

    def of(self, which: np.ndarray) -> "Detections":
        """Return some of the detections, by mask or by numbers."""
        return Detections(*(column[which] for column in vars(self).values()))
