"""The CCD equation: signal-to-noise of a star from light, sky, dark current and read noise.

References
----------
Merline & Howell (1995), "A realistic model for point-sources imaged on array detectors: the model
and initial results", Experimental Astronomy 6, 163; Howell (2006), Handbook of CCD Astronomy, 2nd
edition, section 4.4.
"""

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Exposure:
    """The signal of one exposure in a pixel, without the star.

    Attributes
    ----------
    sky_e : float
        Electrons of the sky.
    dark_e : float
        Electrons of the dark current.
    read_noise_e : float
        Noise of reading it, electrons rms.
    """

    sky_e: float
    dark_e: float
    read_noise_e: float

    @property
    def variance(self) -> float:
        """Variance of a pixel without a star, electrons squared."""
        return self.sky_e + self.dark_e + self.read_noise_e**2


def signal_to_noise(
    star_e: float, pixels: float, exposure: Exposure, sky_pixels: float = math.inf
) -> float:
    """Return the signal-to-noise of a star in an aperture.

    Parameters
    ----------
    star_e : float
        Electrons of the star inside the aperture.
    pixels : float
        Size of the aperture.
    exposure : Exposure
    sky_pixels : float
        Pixels from which the sky was estimated; infinite where it is known.

    Raises
    ------
    ValueError
        If nothing makes any noise.
    """
    variance = star_e + _aperture_variance(pixels, exposure, sky_pixels)
    if variance <= 0:
        msg = "without light and read noise there is no signal-to-noise"
        raise ValueError(msg)
    return star_e / math.sqrt(variance)


def electrons_at(
    snr: float, pixels: float, exposure: Exposure, sky_pixels: float = math.inf
) -> float:
    """Return the electrons of a star for a given signal-to-noise ratio.

    The CCD equation solved for the star: the larger root of ``star^2 = snr^2 (star + variance)``.
    """
    half = 0.5 * snr**2
    return half + math.sqrt(half**2 + snr**2 * _aperture_variance(pixels, exposure, sky_pixels))


def shortest_exposure_s(
    sky_e_s: float, read_noise_e: float, dark_e_s: float = 0.0, added: float = 0.05
) -> float:
    """Return the shortest sub for which reading it adds less than a share to its noise.

    From the pixel without a star: ``sqrt(1 + read_noise^2 / (rate t)) = 1 + added``, with the
    rate of sky and dark current.

    Parameters
    ----------
    sky_e_s, dark_e_s : float
        Electrons per second and pixel.
    read_noise_e : float
        Electrons rms.
    added : float
        Share of the noise without read noise, 0.05 for 5 %.

    Returns
    -------
    float
        Seconds; infinite where there is read noise and neither sky nor dark current.
    """
    rate = sky_e_s + dark_e_s
    if rate <= 0:
        return math.inf if read_noise_e > 0 else 0.0
    return read_noise_e**2 / (rate * ((1.0 + added) ** 2 - 1.0))


def _aperture_variance(pixels: float, exposure: Exposure, sky_pixels: float) -> float:
    return pixels * (1.0 + pixels / sky_pixels) * exposure.variance
