"""Fluxes of a sub's stars, corrected for neighbours and for light outside apertures.

In poor seeing an aperture is larger and holds more of the neighbours. Their light is known from the
list of stars and from the profile of the sub, and is subtracted; light of unknown neighbours
and errors of the sky are alike for all stars, and left to the comparison of two subs
(`platelib.registration.photometric_scale.flux_scale`).
"""

from dataclasses import dataclass

import numpy as np

from platelib.detection.star_profile import StarProfile, fitted_profile, usual_profile
from platelib.detection.star_table import CORE_SHARE
from platelib.numerics.neighbours import close_pairs
from platelib.registration.photometric_scale import FluxScale, flux_scale

_REACH_PX = 48.0
_ROUNDS = 4
_LEAST_LEFT = 0.05
_MOST_OF_NEIGHBOURS = 0.3
_DOUBT = 0.5
_CORE_ERROR = 0.5
_FEWEST_FOR_PROFILE = 5
_FEWEST = 10


def per_second(stars: np.ndarray, seconds: float) -> np.ndarray:
    """Return stars, of dtype `platelib.detection.star_table.STAR`, whose light is per second."""
    rates = stars.copy()
    for name in ("flux", "flux_error", "core", "peak"):
        rates[name] /= seconds
    return rates


@dataclass(frozen=True)
class Aperture:
    """The measurement of a sub's stars.

    Attributes
    ----------
    radius_px : float
        Of the aperture.
    fwhm_px : float
        Width of the stars, by windowed moments.
    """

    radius_px: float
    fwhm_px: float

    @property
    def radii(self) -> tuple[float, float]:
        """Radius of the core, and of all of the aperture."""
        return CORE_SHARE * self.radius_px, self.radius_px


class ReferenceLight:
    """The stars of the photometric reference, for comparison with those of the subs.

    Parameters
    ----------
    stars : numpy.ndarray
        All stars of the reference, of dtype `platelib.detection.star_table.STAR`, in some unit per
        second.
    good : numpy.ndarray
        ``(g,)`` int64: numbers of those without flags.
    aperture : Aperture
    """

    def __init__(self, stars: np.ndarray, good: np.ndarray, aperture: Aperture):
        self._stars, self._good, self._aperture = stars, good, aperture
        xy = np.stack([stars["x"], stars["y"]], axis=1)
        i, j = close_pairs(xy, xy, _REACH_PX)
        self._i, self._j = i[i != j], j[i != j]
        self._distance = np.hypot(*(xy[self._i] - xy[self._j]).T)
        self._profile = usual_profile(aperture.fwhm_px)
        self._light = stars["flux"]
        for _ in range(2):
            self._resolve()
            everyone = np.arange(len(good))
            shown = _Shown(everyone, stars[good], aperture, 1.0)
            self._profile = self._fitted(shown, self._profile, 1.0, None)
        self._resolve()
        self._shown = stars[good]
        self._beside_own = self._beside(self._profile, aperture.radius_px, 1.0)

    def _resolve(self) -> None:
        """Share light out between stars whose apertures overlap."""
        radius = self._aperture.radius_px
        share = self._profile.share_beside(self._distance, radius)
        whole = self._profile.share(radius)
        for _ in range(_ROUNDS):
            beside = self._sum(share)
            left = np.maximum(self._stars["flux"] - beside, _LEAST_LEFT * self._stars["flux"])
            self._light = left / whole

    def _sum(self, share: np.ndarray) -> np.ndarray:
        """Sum shares of the light of the neighbours of each star."""
        light = share * self._light[self._j]
        return np.bincount(self._i, light, minlength=len(self._stars))

    def _beside(self, profile: StarProfile, radius: float, pixel: float) -> np.ndarray:
        """Return the light of neighbours in the apertures of unflagged stars.

        Profile and radius are in pixels that are so many of the reference wide.
        """
        return self._sum(profile.share_beside(self._distance / pixel, radius))[self._good]

    def _fitted(
        self, shown: "_Shown", profile: StarProfile, factor: float, prior_slope: float | None
    ) -> StarProfile:
        """Fit the profile of a sub to the concentration of its stars."""
        stars, aperture = shown.stars, shown.aperture
        core, radius = aperture.radii
        beside, inside = (
            self._beside(profile, r, shown.pixel)[shown.numbers] / factor for r in (radius, core)
        )
        flux, light = stars["flux"] - beside, stars["core"] - inside
        use = (light > 0) & (flux > 0) & (beside < _MOST_OF_NEIGHBOURS * stars["flux"])
        if use.sum() < _FEWEST_FOR_PROFILE:
            return usual_profile(aperture.fwhm_px)
        error = stars["flux_error"][use]
        ratio = flux_scale(flux[use], error, light[use], _CORE_ERROR * error, _DOUBT * beside[use])
        concentration = 1 / ratio.factor
        spread = concentration * ratio.error / ratio.factor
        return fitted_profile(aperture.fwhm_px, aperture.radii, concentration, spread, prior_slope)

    def compare(
        self, numbers: np.ndarray, stars: np.ndarray, aperture: Aperture, pixel: float = 1.0
    ) -> FluxScale:
        """Compare a sub with the reference.

        Parameters
        ----------
        numbers : numpy.ndarray
            ``(n,)`` int64: which of the good stars of the reference are in the sub.
        stars : numpy.ndarray
            ``(n,)``: the same stars of the sub, in the unit of the reference per second.
        aperture : Aperture
            Of the sub, in its own pixels.
        pixel : float, optional
            Side of a pixel of the sub in pixels of the reference.

        Returns
        -------
        FluxScale
        """
        shown = _Shown(numbers, stars, aperture, pixel)
        factor = float(np.median(self._shown["flux"][numbers] / stars["flux"]))
        profile = usual_profile(aperture.fwhm_px)
        scale = FluxScale(factor, np.nan, 0)
        for _ in range(2):
            profile = self._fitted(shown, profile, scale.factor, self._profile.slope)
            scale = self._compared(shown, profile, scale.factor)
        return scale

    def _compared(self, shown: "_Shown", profile: StarProfile, factor: float) -> FluxScale:
        """Compare stars less the light of their neighbours, each with all of its light."""
        ours, theirs = self._shown[shown.numbers], shown.stars
        radius, their_radius = self._aperture.radius_px, shown.aperture.radius_px
        beside = self._beside_own[shown.numbers]
        beside_theirs = self._beside(profile, their_radius, shown.pixel)[shown.numbers] / factor
        share = np.maximum(beside / ours["flux"], beside_theirs / theirs["flux"])
        use = share < _MOST_OF_NEIGHBOURS
        if use.sum() < _FEWEST:
            use = np.ones(len(share), dtype=bool)
            beside, beside_theirs = (np.zeros(len(share)) for _ in range(2))
        whole, their_whole = self._profile.share(radius), profile.share(their_radius)
        return flux_scale(
            (ours["flux"] - beside)[use] / whole,
            ours["flux_error"][use] / whole,
            (theirs["flux"] - beside_theirs)[use] / their_whole,
            theirs["flux_error"][use] / their_whole,
            (_DOUBT * share * ours["flux"])[use] / whole,
        )


@dataclass(frozen=True)
class _Shown:
    """Good stars of the reference by number, as a sub shows them; its apertures and its pixel."""

    numbers: np.ndarray
    stars: np.ndarray
    aperture: Aperture
    pixel: float
