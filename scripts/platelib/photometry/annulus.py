"""Aperture fluxes of stars, minus the sky in an annulus."""

import numpy as np
import sep

_RING = (2.0, 3.5)
_BAND_ROWS = 512


def circle_fluxes(
    image: np.ndarray, variance: np.ndarray, x: np.ndarray, y: np.ndarray, radius_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Sum light in circles.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32, NaN where there are no data. Some rows are looked at at a time.
    x, y : numpy.ndarray
        ``(n,)`` float64, pixels.
    radius_px : float
        Of the circles; the ring around each begins at twice, and ends at 3.5 times this.

    Returns
    -------
    flux, error : numpy.ndarray
        ``(n,)`` float64; NaN where a pixel of the circle has no data.
    """
    flux, error = np.full((2, len(x)), np.nan)
    ny, margin = len(image), int(np.ceil(_RING[1] * radius_px)) + 2
    bands = np.clip(np.asarray(y) // _BAND_ROWS, 0, (ny - 1) // _BAND_ROWS)
    for band in np.unique(bands).astype(int):
        first, last = max(0, band * _BAND_ROWS - margin), (band + 1) * _BAND_ROWS + margin
        here = bands == band
        light, spread = (np.asarray(plane[first:last], np.float32) for plane in (image, variance))
        flux[here], error[here] = _circles(light, spread, x[here], y[here] - first, radius_px)
    return flux, error


def _circles(
    image: np.ndarray, variance: np.ndarray, x: np.ndarray, y: np.ndarray, radius_px: float
) -> tuple[np.ndarray, np.ndarray]:
    gaps = ~np.isfinite(image)
    filled = np.where(gaps, np.float32(0), image)
    noise = np.sqrt(np.where(gaps, np.float32(0), variance))
    ring = (_RING[0] * radius_px, _RING[1] * radius_px)
    flux, error, _ = sep.sum_circle(
        filled, x, y, radius_px, err=noise, mask=gaps, bkgann=ring, subpix=5
    )
    missing, _, _ = sep.sum_circle(gaps.astype(np.float32), x, y, radius_px, subpix=5)
    there = (missing == 0) & np.isfinite(flux) & (error > 0)
    return np.where(there, flux, np.nan), np.where(there, error, np.nan)
