"""Places against time: weighted fit of a constant rate, or of a rate that changes steadily."""

from dataclasses import dataclass

import numpy as np

_FLOOR_PX = 0.05
_BETTER = 20.0
_FEWEST_CURVED = 6

PARALLAX_ARCSEC = 8.794
"""Angle of the Earth's radius at 1 au, arcsec: IAU (1976) system of constants, rounded."""

_TURN_PER_MINUTE = 2 * np.pi / 1436.07
_AU_ARCSEC_MIN = 0.5
_NEAREST_AU, _FARTHEST_AU = 0.003, 3.0


@dataclass(frozen=True)
class RateFit:
    """A motion along the grid.

    Attributes
    ----------
    epoch : float
        Time of the place, minutes; the weighted mean of the times.
    coefficients : numpy.ndarray
        ``(2, k)`` float64: place x, y (px), rate (px/min) and, where k is 3, half of the
        acceleration (px/min^2).
    covariance : numpy.ndarray
        ``(k, k)`` float64, the same for x and y.
    chi2 : float
        Sum of squared residuals over both axes, in units of the errors.
    count : int
        Number of places.
    """

    epoch: float
    coefficients: np.ndarray
    covariance: np.ndarray
    chi2: float
    count: int

    @property
    def degrees(self) -> int:
        """Degrees of freedom."""
        return 2 * (self.count - len(self.covariance))

    @property
    def rate(self) -> float:
        """Rate at the epoch, px/min."""
        return float(np.hypot(*self.coefficients[:, 1]))

    @property
    def rate_error(self) -> float:
        """Error of the rate along an axis, px/min; infinite for places of one time."""
        return float(np.sqrt(self.covariance[1, 1]))

    def at(self, minutes: np.ndarray) -> np.ndarray:
        """Return the places ``(n, 2)`` at times."""
        powers = np.vander(minutes - self.epoch, len(self.covariance), increasing=True)
        return np.asarray(powers @ self.coefficients.T)

    def error_at(self, minutes: np.ndarray) -> np.ndarray:
        """Return the errors ``(n,)`` of places along an axis, px."""
        powers = np.vander(minutes - self.epoch, len(self.covariance), increasing=True)
        squares = np.einsum("ni,ij,nj->n", powers, self.covariance, powers)
        return np.asarray(np.sqrt(np.maximum(squares, 0)))


def fit_rate(
    minutes: np.ndarray, x: np.ndarray, y: np.ndarray, sigma_px: np.ndarray, terms: int = 2
) -> RateFit:
    """Fit a motion to places by weighted least squares.

    Parameters
    ----------
    minutes, x, y, sigma_px : numpy.ndarray
        ``(n,)`` float64. Errors below 0.05 px are taken as 0.05 px.
    terms : int, optional
        2 for a constant rate, 3 with acceleration.

    Raises
    ------
    ValueError
        If there are fewer places than terms.
    """
    if len(minutes) < terms:
        msg = f"a motion of {terms} terms needs as many places, not {len(minutes)}"
        raise ValueError(msg)
    weight = 1 / np.maximum(sigma_px, _FLOOR_PX) ** 2
    epoch = float(np.average(minutes, weights=weight))
    # Powers of times near 1 keep the normal equations well conditioned.
    unit = max(float(np.abs(minutes - epoch).max()), 1e-9)
    powers = np.vander((minutes - epoch) / unit, terms, increasing=True)
    normal = np.einsum("n,ni,nj->ij", weight, powers, powers)
    inverse = np.linalg.pinv(normal, hermitian=True)
    places = np.stack([x, y])
    coefficients = np.einsum("ij,n,nj,an->ai", inverse, weight, powers, places)
    residuals = places - coefficients @ powers.T
    chi2 = float(np.einsum("n,an,an->", weight, residuals, residuals))
    scale = unit ** -np.arange(terms, dtype=np.float64)
    return RateFit(
        epoch, coefficients * scale, inverse * np.outer(scale, scale), chi2, len(minutes)
    )


def fit_motion(
    minutes: np.ndarray, x: np.ndarray, y: np.ndarray, sigma_px: np.ndarray, arcsec_per_px: float
) -> RateFit:
    """Fit a constant rate, or one with acceleration where data and parallax allow for it.

    An acceleration is fitted to six or more places, and kept if it lowers chi square by more than
    20 and is at most as large as `most_acceleration` says.
    """
    straight = fit_rate(minutes, x, y, sigma_px)
    if len(minutes) < _FEWEST_CURVED:
        return straight
    curved = fit_rate(minutes, x, y, sigma_px, 3)
    most = most_acceleration(straight.rate * arcsec_per_px) / arcsec_per_px
    small = 2 * np.hypot(*curved.coefficients[:, 2]) <= most
    return curved if small and straight.chi2 - curved.chi2 > _BETTER else straight


def distance_au(rate_arcsec_min: float) -> float:
    """Return the distance of an object that moves with a rate, as a lower estimate, au.

    An object at 1 au moves by about 0.5 arcsec/min against the stars (20 km/s across the line of
    sight, less than the Earth's own 30 km/s); the rate is inverse to the distance. Between 0.003
    au and 3 au.
    """
    return min(max(_AU_ARCSEC_MIN / max(rate_arcsec_min, 1e-6), _NEAREST_AU), _FARTHEST_AU)


def most_acceleration(rate_arcsec_min: float) -> float:
    """Return the largest acceleration within a night that a rate allows for, arcsec/min^2.

    It is that of an observer on the equator who turns with the Earth, seen from the object: the
    parallax of 8.8 arcsec at 1 au by the square of the angular speed of the Earth.
    """
    return PARALLAX_ARCSEC / distance_au(rate_arcsec_min) * float(_TURN_PER_MINUTE**2)


def most_parallax_rate(rate_arcsec_min: float) -> float:
    """Return the largest rate that the turning Earth adds to the rate of an object, arcsec/min."""
    return PARALLAX_ARCSEC / distance_au(rate_arcsec_min) * float(_TURN_PER_MINUTE)
