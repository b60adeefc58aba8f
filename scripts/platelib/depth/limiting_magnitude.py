"""The limiting magnitude of an image, with its test by injected stars."""

import math
from dataclasses import dataclass

import numpy as np

from platelib.depth.completeness import Completeness, completeness
from platelib.sources.aperture_noise import ApertureNoise, aperture_noise
from platelib.sources.background_subtracted import FieldSky
from platelib.sources.empirical_psf import StarCopies, copy_stars

SNR = 5.0
"""Signal-to-noise that a star at the limit has."""

_RADII = np.round(np.arange(0.8, 2.601, 0.2), 2)
_FAR_FROM_BEST = 1.05
"""Ratio to the lowest limit from which larger circles are not tried; its sampling error is 1 %."""


@dataclass(frozen=True)
class Limit:
    """The limit of an image for stars.

    Attributes
    ----------
    flux : float
        All the light of a star at the limit, in the unit of the image.
    noise : ApertureNoise
        Of the circle in which a star stands out most.
    share : float
        Share of a star's light inside this circle.
    stars : StarCopies
    check : Completeness or None
        Recovery of injected stars; None where there is no room for them.
    """

    flux: float
    noise: ApertureNoise
    share: float
    stars: StarCopies
    check: Completeness | None


def limit_of(field: FieldSky, seed: int) -> Limit:
    """Measure the limit of an image, and check it by injected stars.

    Parameters
    ----------
    field : FieldSky
    seed : int
        Of the places of circles and injected stars.

    Returns
    -------
    Limit
        The noise is that of circles on empty sky, so what resampling and an uneven sky do to sums
        is in it; the circle is the one, of some, in which stars stand out most.

    Raises
    ------
    ValueError
        If there are not enough bright stars or not enough empty sky.
    """
    stars = copy_stars(field)
    best: tuple[float, ApertureNoise, float] | None = None
    for step in _RADII:
        try:
            noise = aperture_noise(field, float(step) * stars.half_light_px, seed)
        except ValueError:
            if best is None:
                raise
            break  # in a crowd there is no room for larger circles
        share = stars.share(noise.radius_px)
        flux = SNR * noise.sigma / share
        if best is None or flux < best[0]:
            best = flux, noise, share
        elif flux > _FAR_FROM_BEST * best[0]:
            break
    assert best is not None
    flux, noise, share = best
    check: Completeness | None = None
    try:
        check = completeness(field, stars, noise, flux, SNR, seed)
    except ValueError:
        check = None
    return Limit(flux, noise, share, stars, check)


def magnitude(flux: float, zero_point: float | None) -> float:
    """Return the magnitude of a flux; instrumental without a zero point, NaN without a flux."""
    if not flux > 0:
        return math.nan
    return -2.5 * math.log10(flux) + (zero_point or 0.0)
