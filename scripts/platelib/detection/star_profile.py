"""The stellar profile of a sub, and the fraction of light in an aperture.

Moffat (1969), A&A 3, 455: intensity ``(1 + (r / a)^2)^-beta``. Two numbers of a sub tell both
parameters: the FWHM that windowed moments give, and the light in the core of an aperture over that
in all of it.
"""

from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

from platelib.numerics.constants import FWHM_PER_SIGMA

_USUAL_SLOPE, _SLOPE_SPREAD = 0.3, 0.08
_SLOPES = np.array([0.05, 0.08, 0.12, 0.16, 0.2, 0.24, 0.28, 0.32, 0.36, 0.4, 0.45])
_FWHMS = np.array([1.2 * 1.07**k for k in range(38)])
_FIRST_WINDOW, _WINDOWS = 1.5, (0.8, 3.0)
_BOX_PX = 8.46
"""Radius of a circle as large as the box in which moments are measured."""
_RINGS, _DISTANCES = 100, 200


@dataclass(frozen=True)
class StarProfile:
    """A Moffat profile.

    Attributes
    ----------
    fwhm : float
        Pixels.
    slope : float
        ``1 / beta``: near 0 for a Gaussian, 0.4 for wide wings.
    """

    fwhm: float
    slope: float

    @property
    def core_px(self) -> float:
        """Width ``a`` of the profile, pixels."""
        return float(_core(self.fwhm, self.slope))

    def share(self, radius: float) -> float:
        """Return the share of a star's light within an aperture about it."""
        return float(_share(radius, self.fwhm, self.slope))

    def share_beside(self, distance: np.ndarray, radius: float) -> np.ndarray:
        """Return the fraction of a star's light inside apertures at other positions.

        Parameters
        ----------
        distance : numpy.ndarray
            ``(n,)`` float64: from the star to the middle of each aperture, pixels.
        radius : float
            Of the apertures, pixels.
        """
        light = (np.arange(_RINGS) + 0.5) / _RINGS
        ring = self.core_px * np.sqrt((1 - light) ** (1 / (1 - 1 / self.slope)) - 1)
        farthest = max(float(distance.max(initial=0.0)), radius)
        table = np.linspace(farthest / _DISTANCES, farthest, _DISTANCES)
        r, d = ring[None], table[:, None]
        cosine = np.clip((r**2 + d**2 - radius**2) / (2 * r * d), -1.0, 1.0)
        return np.interp(distance, table, (np.arccos(cosine) / np.pi).mean(axis=1))


def usual_profile(measured_fwhm: float) -> StarProfile:
    """Return the profile of stars with unknown cores: beta 3.3."""
    return StarProfile(_true_fwhm(measured_fwhm, _USUAL_SLOPE), _USUAL_SLOPE)


def fitted_profile(
    measured_fwhm: float,
    radii: tuple[float, float],
    concentration: float,
    error: float,
    prior_slope: float | None = None,
) -> StarProfile:
    """Return the profile with a given width and concentration.

    Parameters
    ----------
    measured_fwhm : float
        FWHM from windowed moments (`platelib.detection.windowed_moments.star_shape`), pixels.
    radii : tuple of float
        Of the core and of the aperture, pixels.
    concentration : float
        Light within the first over that within the second.
    error : float
        Its standard error.
    prior_slope : float, optional
        Slope of the subs' stars as far as others tell it; 0.3 by default. It counts as if known
        to 0.08, so that a concentration from few faint stars changes little.
    """
    prior = _USUAL_SLOPE if prior_slope is None else prior_slope
    core, aperture = radii
    fwhms = _true_fwhms(measured_fwhm)
    expected = _share(core, fwhms, _SLOPES) / _share(aperture, fwhms, _SLOPES)
    # Wider wings leave less light in the core, so the table falls.
    slope = float(np.interp(-concentration, -expected, _SLOPES))
    here = min(max(int(np.searchsorted(_SLOPES, slope)), 1), len(_SLOPES) - 1)
    step = (expected[here] - expected[here - 1]) / (_SLOPES[here] - _SLOPES[here - 1])
    weight = (step / max(error, 1e-4)) ** 2
    slope = (slope * weight + prior / _SLOPE_SPREAD**2) / (weight + 1 / _SLOPE_SPREAD**2)
    return StarProfile(_true_fwhm(measured_fwhm, slope), float(slope))


def measured_fwhm(fwhm: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """Return the FWHM by windowed moments of profiles, ``(n,)`` each.

    The window is a Gaussian as wide as the star, see `platelib.detection.windowed_moments`.
    """
    core = _core(fwhm, slope)[:, None]
    r = np.arange(1, 401) * (_BOX_PX / 400)
    light = (1 + (r / core) ** 2) ** (-1 / slope[:, None]) * r
    window = np.full(len(fwhm), _FIRST_WINDOW)
    inverse = _inverse_moment(light, r, window) - 1 / window**2
    wide = np.sqrt(1 / np.maximum(inverse, 1e-9))
    window = np.where(inverse > 0, np.clip(wide, *_WINDOWS), window)
    inverse = _inverse_moment(light, r, window) - 1 / window**2
    return FWHM_PER_SIGMA * np.sqrt(1 / np.maximum(inverse, 0.01 / window**2))


def _inverse_moment(light: np.ndarray, r: np.ndarray, window: np.ndarray) -> np.ndarray:
    """Return the inverse second moment along an axis, under a Gaussian window."""
    seen = light * np.exp(-(r**2) / (2 * window[:, None] ** 2))
    return 2 * seen.sum(axis=1) / (seen * r**2).sum(axis=1)


@cache
def _measured_table() -> np.ndarray:
    """Return the measured FWHM for each of `_SLOPES` and `_FWHMS`."""
    return np.stack([measured_fwhm(_FWHMS, np.full(len(_FWHMS), slope)) for slope in _SLOPES])


def _true_fwhm(measured: float, slope: float) -> float:
    """Return the true FWHM for a measured FWHM."""
    return float(np.interp(slope, _SLOPES, _true_fwhms(measured)))


@lru_cache(maxsize=64)
def _true_fwhms(measured: float) -> np.ndarray:
    """Return the true FWHM for a measured FWHM, for each of `_SLOPES`."""
    return np.array([np.interp(measured, row, _FWHMS) for row in _measured_table()])


def _core(fwhm: np.ndarray | float, slope: np.ndarray | float) -> np.ndarray:
    return np.asarray(fwhm / (2 * np.sqrt(2.0**slope - 1)))


def _share(radius: float, fwhm: np.ndarray | float, slope: np.ndarray | float) -> np.ndarray:
    return np.asarray(1 - (1 + (radius / _core(fwhm, slope)) ** 2) ** (1 - 1 / slope))
