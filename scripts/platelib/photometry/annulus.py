"""Aperture fluxes of stars, minus the sky in an annulus."""

import numpy as np
import sep

_RING = (2.0, 3.5)


def circle_fluxes(
    image: np.ndarray, variance: np.ndarray, x: np.ndarray, y: np.ndarray, radius_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Sum light in circles.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32, native byte order, NaN where there are no data.
    x, y : numpy.ndarray
        ``(n,)`` float64, pixels.
    radius_px : float
        Of the circles; the ring around each begins at twice, and ends at 3.5 times this.

    Returns
    -------
    flux, error : numpy.ndarray
        ``(n,)`` float64; NaN where a pixel of the circle has no data.
    """
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
