"""Scintillation: the noise that the atmosphere adds to the light of every star."""

from dataclasses import dataclass

import numpy as np

_SCALE_HEIGHT_M = 8000.0


@dataclass(frozen=True)
class Telescope:
    """What scintillation depends on.

    Attributes
    ----------
    diameter_m : float
        Of the aperture.
    elevation_m : float
        Of the site above sea level.
    factor : float
        Over Young's mean: 1.5 is the median of sites in Osborn et al. (2015), from memory.
    """

    diameter_m: float
    elevation_m: float = 0.0
    factor: float = 1.5


def scintillation(telescope: Telescope, airmass: np.ndarray, exposure_s: np.ndarray) -> np.ndarray:
    """Return the scintillation noise of a star over its flux.

    Parameters
    ----------
    telescope : Telescope
    airmass, exposure_s : numpy.ndarray
        ``(n,)`` float64. An unknown airmass, NaN, counts as 1.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` float64: standard deviation over mean flux.

    Raises
    ------
    ValueError
        If the diameter is not positive.

    References
    ----------
    Young (1967), AJ 72, 747, and Dravins et al. (1998), PASP 110, 610, equation 10, from memory:
    ``sigma = 0.09 D^(-2/3) X^1.75 exp(-h / 8000 m) / sqrt(2 t)``, D in cm, t in s, with the factor
    of Osborn et al. (2015), MNRAS 452, 1707.
    """
    if not telescope.diameter_m > 0:
        msg = f"the diameter of a telescope must be above 0 m, not {telescope.diameter_m}"
        raise ValueError(msg)
    thickness = np.where(np.isfinite(airmass), airmass, 1.0) ** 1.75
    height = np.exp(-telescope.elevation_m / _SCALE_HEIGHT_M)
    width = (100.0 * telescope.diameter_m) ** (-2.0 / 3.0)
    return telescope.factor * 0.09 * width * thickness * height / np.sqrt(2.0 * exposure_s)
