"""Chroma smoothing: average the colour of faint light over neighbours, against colour noise.

The eye sees fine detail in brightness, hardly in colour. Where a pixel stands little above the
noise, its difference from grey is replaced by the mean difference of the faint pixels around
it; its brightness stays as it is. Bright pixels neither change nor lend their colour.
"""

import numpy as np
from scipy.ndimage import gaussian_filter

TRUSTED_SIGMA = 5.0
_TRUNCATE = 3.0


def smooth_faint_colour(
    planes: np.ndarray, intensity: np.ndarray, sky: float, sigma: float, radius_px: float
) -> np.ndarray:
    """Average the colours of faint pixels.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(3, ny, nx)`` float32, linear, NaN for no data.
    intensity : numpy.ndarray
        ``(ny, nx)`` float32, the mean of the planes.
    sky, sigma : float
        Level and standard deviation of the sky's intensity. A pixel `TRUSTED_SIGMA` above the
        sky keeps half of its own colour.
    radius_px : float
        Standard deviation of the Gaussian neighbourhood; 0 returns the planes.

    Returns
    -------
    numpy.ndarray
        ``(3, ny, nx)`` float32 with the same mean of the planes in each pixel.
    """
    if radius_px == 0:
        return planes
    known = np.isfinite(intensity)
    height = np.where(known, np.maximum(intensity - np.float32(sky), 0), np.float32(0))
    height /= np.float32(TRUSTED_SIGMA * sigma)
    faint = 1 / (1 + height**2)
    lent = np.where(known, faint**2, np.float32(0))
    total = np.maximum(_blurred(lent, radius_px), np.float32(1e-12))
    smooth = np.empty_like(planes)
    for index, plane in enumerate(planes):
        difference = np.where(known, plane - intensity, np.float32(0))
        average = _blurred(difference * lent, radius_px) / total
        smooth[index] = intensity + difference + faint * (average - difference)
    return smooth


def _blurred(image: np.ndarray, radius_px: float) -> np.ndarray:
    return gaussian_filter(image, radius_px, mode="nearest", truncate=_TRUNCATE)
