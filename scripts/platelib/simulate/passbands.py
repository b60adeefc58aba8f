"""Passbands and colours: the electrons of a source by its temperature."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

REFERENCE_NM = 530.0
SUN_K = 5800.0
_SECOND_RADIATION_NM_K = 1.438776877e7


@dataclass(frozen=True)
class BandSpec:
    """One channel of the simulated camera.

    Attributes
    ----------
    name : str
        Short name, used in tables: ``flux_<name>``.
    filter_name : str
        What the header card FILTER says.
    wavelength_nm : float
        Central wavelength.
    response : float
        Rate of a star of 5800 K against its rate in a band of response 1; small for a narrow band.
    exposure_s : float
        Usual exposure.
    sky_e_s : float
        Rate of the dark sky, electrons per second and pixel.
    line : bool
        Whether the band holds the H-alpha line.
    scale : float
        Magnification against the scene: no lens is the same in every colour.
    """

    name: str
    filter_name: str
    wavelength_nm: float
    response: float
    exposure_s: float
    sky_e_s: float
    line: bool = False
    scale: float = 1.0


def photon_rate(wavelength_nm: float, temperature_k: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return the relative photon rate of a black body per unit of wavelength.

    Parameters
    ----------
    wavelength_nm : float
    temperature_k : array_like

    Returns
    -------
    ndarray, float64
        Proportional to ``wavelength**-4 / (exp(h c / (wavelength k T)) - 1)``.

    References
    ----------
    Planck's law divided by the photon's energy; second radiation constant of CODATA 2018.
    """
    temperature = np.asarray(temperature_k, dtype=np.float64)
    exponent = _SECOND_RADIATION_NM_K / (wavelength_nm * temperature)
    return np.asarray((wavelength_nm / REFERENCE_NM) ** -4.0 / np.expm1(exponent))


def flux_ratio(band: BandSpec, temperature_k: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return the rate in a band against the rate in a band of response 1 at 530 nm.

    Parameters
    ----------
    band : BandSpec
    temperature_k : array_like
        Colour temperature of the source.

    Returns
    -------
    ndarray, float64
        Equal to `band.response` at 5800 K.
    """
    colour = photon_rate(band.wavelength_nm, temperature_k) / photon_rate(
        REFERENCE_NM, temperature_k
    )
    white = photon_rate(band.wavelength_nm, SUN_K) / photon_rate(REFERENCE_NM, SUN_K)
    return band.response * colour / white
