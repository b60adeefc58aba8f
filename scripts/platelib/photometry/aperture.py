"""Aperture fluxes at known positions, for several radii above the local sky.

Pixels on the rim count by how far they are inside. The exact overlap with a circle, as photutils
and sep have it, gives 1 mmag less in an aperture of 4 px (the tests compare): magnitudes of all
projects would change by that. Photutils takes three times as long, and 0.6 s to import.
"""

import numpy as np
from astropy.stats import sigma_clip

from platelib.numerics.constants import MEDIAN_ERROR
from platelib.numerics.medians import mad_sigma

_CLIP, _ROUNDS = 3.0, 4
_LEAST_SKY_PX = 30


def aperture_fluxes(
    image: np.ndarray,
    variance: np.ndarray,
    places: np.ndarray,
    radii: tuple[float, ...],
    annulus: tuple[float, float],
) -> tuple[np.ndarray, np.ndarray]:
    """Sum the light of stars.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32, NaN = no data.
    places : numpy.ndarray
        ``(n, 2)`` float64: x and y, 0-based.
    radii : tuple of float
        Of the apertures, pixels. A pixel on the rim counts by how far it is inside.
    annulus : tuple of float
        Inner and outer radius of the ring in which the sky is measured.

    Returns
    -------
    flux, error : numpy.ndarray
        ``(n, len(radii))`` float64; NaN where the star is too near to the edge, or a pixel within
        the aperture has no data.
    """
    flux = np.full((len(places), len(radii)), np.nan)
    error = np.full_like(flux, np.nan)
    half = int(np.ceil(annulus[1])) + 1
    ny, nx = image.shape
    offsets = np.arange(-half, half + 1)
    for number, (x, y) in enumerate(places.tolist()):
        if not (np.isfinite(x) and np.isfinite(y)):
            continue
        column, row = round(x), round(y)
        if not (half <= column < nx - half and half <= row < ny - half):
            continue
        box = (slice(row - half, row + half + 1), slice(column - half, column + half + 1))
        distance = np.hypot(offsets[None] + (column - x), offsets[:, None] + (row - y))
        light, noise = image[box].astype(np.float64), variance[box].astype(np.float64)
        sky, sky_error = _sky(light[(distance > annulus[0]) & (distance < annulus[1])])
        for k, radius in enumerate(radii):
            inside = np.clip(radius + 0.5 - distance, 0.0, 1.0)
            used = inside > 0
            weight = inside[used]
            flux[number, k] = (weight * (light[used] - sky)).sum()
            spread = (weight**2 * noise[used]).sum() + (weight.sum() * sky_error) ** 2
            error[number, k] = np.sqrt(spread)
    return flux, error


def _sky(values: np.ndarray) -> tuple[float, float]:
    """Return the clipped median of a ring and its error."""
    values = values[np.isfinite(values)]
    if len(values):
        values = sigma_clip(
            values, _CLIP, maxiters=_ROUNDS, cenfunc="median", stdfunc="mad_std", masked=False
        )
    if len(values) < _LEAST_SKY_PX:
        return float("nan"), float("nan")
    return float(np.median(values)), float(MEDIAN_ERROR * np.std(values) / np.sqrt(len(values)))


def aperture_correction(inner: np.ndarray, outer: np.ndarray) -> tuple[float, float, int]:
    """Return the aperture correction of a small aperture, in magnitudes.

    Parameters
    ----------
    inner, outer : numpy.ndarray
        ``(n,)`` fluxes of bright stars in the small and in the large aperture.

    Returns
    -------
    correction, scatter : float
        To be added to magnitudes from the small aperture (it is not above 0); robust scatter of
        single stars. Both NaN without stars.
    count : int
    """
    good = np.isfinite(inner) & np.isfinite(outer) & (inner > 0) & (outer > 0)
    if not good.any():
        return float("nan"), float("nan"), 0
    values = -2.5 * np.log10(outer[good] / inner[good])
    middle = float(np.median(values))
    return round(middle, 5), round(mad_sigma(values, middle), 5), int(good.sum())
