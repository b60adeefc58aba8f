"""Streaks of one sub: satellites and aircraft, told from trailed movers by length against rate."""

import numpy as np

from platelib.detection.trails import on_trails
from platelib.movers.detections import Detections

_SECONDS_PER_MINUTE = 60.0
_FULL_SHARE = 0.8


def is_too_fast(
    length_px: np.ndarray, exposure_s: np.ndarray, fwhm_px: float, most_px_min: float
) -> np.ndarray:
    """Return which streaks are longer than a mover of the highest rate makes.

    Parameters
    ----------
    length_px : numpy.ndarray
        ``(n,)`` float64: length of the streak from end to end.
    exposure_s : numpy.ndarray
        ``(n,)`` float64.
    fwhm_px : float
        Of star images, by which the trail is longer than the way.
    most_px_min : float
        Highest rate of movers.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` bool: satellites and aircraft. A geostationary satellite, left behind by the stars
        at 15 arcsec/s, is one of them.
    """
    way = np.maximum(np.asarray(length_px) - fwhm_px, 0.0)
    return np.asarray(way > most_px_min * np.asarray(exposure_s) / _SECONDS_PER_MINUTE)


def fits_rate(
    length_px: np.ndarray, trail_px: np.ndarray, fwhm_px: float, length_error_px: np.ndarray
) -> np.ndarray:
    """Return whether streaks are as long as rate and exposure of a track say.

    Parameters
    ----------
    length_px, trail_px : numpy.ndarray
        ``(n,)`` float64: measured length, and rate by exposure.
    fwhm_px : float
        Of star images: a trail measures `trail_px` and this in quadrature, or their sum from end
        to end.
    length_error_px : numpy.ndarray
        ``(n,)`` float64.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` bool: between the two within 3 errors and 20 % of the trail.
    """
    trail = np.asarray(trail_px)
    slack = 3 * np.asarray(length_error_px) + (1 - _FULL_SHARE) * trail
    short, long = np.hypot(trail, fwhm_px), trail + fwhm_px
    length = np.asarray(length_px)
    return np.asarray((length >= short - slack) & (length <= long + slack))


def on_streaks(
    detections: Detections, angle: np.ndarray, ellipticity: np.ndarray, shape: tuple[int, int]
) -> np.ndarray:
    """Find detections that are pieces of a long straight trail, sub by sub.

    Parameters
    ----------
    detections : Detections
    angle : numpy.ndarray
        ``(n,)`` float64: direction of the major axis, radians from the x axis.
    ellipticity : numpy.ndarray
        ``(n,)`` float64.
    shape : tuple of int
        ``(ny, nx)`` of the grid.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` bool; see `detection.trails.on_trails`.
    """
    pieces = np.zeros(len(detections), dtype=bool)
    for sub in np.unique(detections.sub):
        own = np.flatnonzero(detections.sub == sub)
        columns = detections.x[own], detections.y[own], angle[own], ellipticity[own]
        pieces[own] = on_trails(*columns, shape)
    return pieces
