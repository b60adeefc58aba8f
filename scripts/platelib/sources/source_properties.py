"""Properties of sources: magnitudes, angles, ranks."""

import numpy as np

from platelib.astrometry.tan_sip import SkyMap
from platelib.numerics.constants import MAG_ERROR

LEAST_SNR = 5.0
"""Fainter extended sources get no rank."""


def magnitudes(
    flux: np.ndarray, flux_error: np.ndarray, zero_point: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return magnitudes and their errors, rounded; instrumental without a zero point.

    Parameters
    ----------
    flux, flux_error : numpy.ndarray
        ``(n,)``; where the light is not positive, both are NaN.
    zero_point : float
        NaN if it is not known.
    """
    shift = zero_point if np.isfinite(zero_point) else 0.0
    good = flux > 0
    light = np.where(good, flux, 1.0)
    value = np.where(good, shift - 2.5 * np.log10(light), np.nan)
    error = np.where(good, MAG_ERROR * flux_error / light, np.nan)
    return np.round(value, 4), np.round(error, 4)


def position_angles(
    x: np.ndarray, y: np.ndarray, angle_deg: np.ndarray, sky_map: SkyMap | None
) -> np.ndarray:
    """Convert angles on the grid to position angles, 0 to 180 degrees.

    Parameters
    ----------
    x, y : numpy.ndarray
        ``(n,)`` places on the grid.
    angle_deg : numpy.ndarray
        ``(n,)`` from +x towards +y.
    sky_map : SkyMap or None
        Without it the angle is counted from +y towards -x, which is from north to east on a grid
        with north up and east to the left.
    """
    if sky_map is None:
        return np.round(np.mod(angle_deg - 90.0, 180.0), 2)
    step = np.radians(angle_deg)
    ra0, dec0 = sky_map.sky(x, y)
    ra1, dec1 = sky_map.sky(x + np.cos(step), y + np.sin(step))
    east = (np.mod(ra1 - ra0 + 180.0, 360.0) - 180.0) * np.cos(np.radians(dec0))
    return np.round(np.mod(np.degrees(np.arctan2(east, dec1 - dec0)), 180.0), 2)


def ranks(chosen: np.ndarray, snr: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Rank sources by signal-to-noise; sources inside a larger one come last.

    Parameters
    ----------
    chosen : numpy.ndarray
        ``(n,)`` bool, sources to rank; of these only such above 5 sigma are.
    snr : numpy.ndarray
        ``(n,)``.
    inside : numpy.ndarray
        ``(n,)`` bool.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` int32 from 1 on; 0 where there is no rank.
    """
    rows = np.flatnonzero(chosen & (snr >= LEAST_SNR))
    order = rows[np.lexsort((rows, -snr[rows], inside[rows]))]
    result = np.zeros(chosen.size, dtype=np.int32)
    result[order] = np.arange(1, order.size + 1)
    return result
