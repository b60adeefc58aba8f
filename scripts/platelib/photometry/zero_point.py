"""The zero point of a channel, from star fluxes and catalogue magnitudes.

``magnitude = zero_point - 2.5 log10(flux) + colour_term (colour - pivot)``: the zero point is that
of a star of the pivot's colour, which is the Sun's.
"""

from dataclasses import dataclass

import numpy as np

from platelib.numerics.constants import MAG_ERROR
from platelib.numerics.medians import mad_sigma
from platelib.numerics.transform import least_squares

_FEWEST_FOR_COLOUR = 8
_LEAST_COLOUR_RANGE = 0.3
_CLIP = 3.5
_LEAST_SCATTER = 0.002
_ROUNDS = 12
_FEWEST = 3


@dataclass(frozen=True)
class ZeroPoint:
    """A zero point with its uncertainty.

    Attributes
    ----------
    value : float
        Magnitude of a star that gives one unit of flux.
    error : float
        Its standard error.
    scatter : float
        Robust scatter of single stars about the fit.
    colour_term : float
        Magnitudes a magnitude of colour; 0 where it could not be told from the stars.
    colour_error : float
        Its standard error, NaN where it was not fitted.
    used : numpy.ndarray
        ``(n,)`` bool: stars that are no outliers.
    residual : numpy.ndarray
        ``(n,)`` catalogue less fit, magnitudes.
    """

    value: float
    error: float
    scatter: float
    colour_term: float
    colour_error: float
    used: np.ndarray
    residual: np.ndarray


def fit_zero_point(
    flux: np.ndarray, flux_error: np.ndarray, magnitude: np.ndarray, colour: np.ndarray
) -> ZeroPoint:
    """Fit a zero point and, if the stars allow it, a colour term.

    Parameters
    ----------
    flux, flux_error : numpy.ndarray
        ``(n,)`` float64, positive.
    magnitude : numpy.ndarray
        ``(n,)`` magnitudes of the catalogue.
    colour : numpy.ndarray
        ``(n,)`` colour less that of the pivot; NaN where it is not known.

    Returns
    -------
    ZeroPoint
        Outliers beyond 3.5 robust deviations are left out. Stars are weighted by the errors of
        their fluxes and the scatter that is left, which stands for the catalogue's errors and for
        what flat fields and neighbours do.

    Raises
    ------
    ValueError
        With fewer than 3 stars.
    """
    if len(flux) < _FEWEST:
        msg = f"{len(flux)} stars, and a zero point needs {_FEWEST}"
        raise ValueError(msg)
    single = magnitude + 2.5 * np.log10(flux)
    noise = MAG_ERROR * flux_error / flux
    known = np.isfinite(colour)
    spread = np.ptp(np.percentile(colour[known], [10, 90])) if known.any() else 0.0
    with_colour = known.sum() >= _FEWEST_FOR_COLOUR and spread >= _LEAST_COLOUR_RANGE
    terms = [np.ones(len(flux))]
    if with_colour:
        terms.append(np.where(known, colour, 0.0))
    basis = np.stack(terms)
    used = known.copy() if with_colour else np.ones(len(flux), dtype=bool)
    scatter = max(mad_sigma(single[used]), 0.02)
    coefficients = np.zeros(len(basis))
    for _ in range(_ROUNDS):
        weights = np.where(used, 1.0 / (noise**2 + scatter**2), 0.0)
        coefficients = least_squares(basis, single[None], weights)[0]
        residual = single - (coefficients[:, None] * basis).sum(axis=0)
        scatter = max(mad_sigma(residual[used], 0.0), _LEAST_SCATTER)
        keep = np.abs(residual) < _CLIP * np.sqrt(scatter**2 + noise**2)
        if with_colour:
            keep &= known
        if np.array_equal(keep, used) or keep.sum() < max(_FEWEST, len(basis) + 1):
            break
        used = keep
    errors = _errors(basis[:, used], noise[used] ** 2 + scatter**2)
    return ZeroPoint(
        round(float(coefficients[0]), 5),
        round(float(errors[0]), 5),
        round(scatter, 5),
        round(float(coefficients[1]), 5) if with_colour else 0.0,
        round(float(errors[1]), 5) if with_colour else float("nan"),
        used,
        np.round(residual, 5),
    )


def _errors(basis: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Return the standard errors of weighted coefficients, one or two of them."""
    weight = 1.0 / variance
    a = float((weight * basis[0] ** 2).sum())
    if len(basis) == 1:
        return np.array([a**-0.5])
    b = float((weight * basis[0] * basis[1]).sum())
    c = float((weight * basis[1] ** 2).sum())
    one = max(a * c - b * b, 1e-12)
    return np.sqrt(np.array([c, a]) / one)


def sky_brightness(zero_point: float, sky_per_px: float, scale_arcsec: float) -> float:
    """Return the brightness of the sky in magnitudes a square arc second; NaN without any light.

    Parameters
    ----------
    zero_point : float
        Of the sub: stars and sky have come through the same air.
    sky_per_px : float
        In the unit that the zero point belongs to.
    scale_arcsec : float
        Side of a pixel.
    """
    if not sky_per_px > 0:
        return float("nan")
    return zero_point - 2.5 * float(np.log10(sky_per_px / scale_arcsec**2))


@dataclass(frozen=True)
class Extinction:
    """Light lost to the air, from stars at several altitudes.

    Attributes
    ----------
    coefficient : float
        Magnitudes an airmass.
    error : float
        Its standard error, from the scatter of the subs.
    zero_point : float
        What the zero point would be above the air.
    count : int
        Subs.
    """

    coefficient: float
    error: float
    zero_point: float
    count: int


def fit_extinction(zero_points: np.ndarray, airmasses: np.ndarray) -> Extinction:
    """Fit a straight line to the zero points of subs against airmass (Bouguer's law).

    Parameters
    ----------
    zero_points, airmasses : numpy.ndarray
        ``(n,)`` float64.

    Raises
    ------
    ValueError
        Where the airmass changes too little, or there are too few subs, to tell anything.
    """
    if len(airmasses) < 5 or np.ptp(airmasses) < 0.2:
        span = f"{airmasses.min():.2f} to {airmasses.max():.2f}" if len(airmasses) else "nothing"
        msg = f"{len(airmasses)} subs at airmass {span}: 5 over a range of 0.2 are needed"
        raise ValueError(msg)
    basis = np.stack([np.ones(len(airmasses)), -airmasses])
    used = np.ones(len(airmasses), dtype=bool)
    line, scatter = np.zeros(2), 0.0
    for _ in range(_ROUNDS):
        line = least_squares(basis, zero_points[None], used.astype(np.float64))[0]
        residual = zero_points - (line[:, None] * basis).sum(axis=0)
        scatter = max(mad_sigma(residual[used], 0.0), _LEAST_SCATTER)
        # Clouds only ever take light away.
        keep = np.abs(residual) < _CLIP * scatter
        if np.array_equal(keep, used) or keep.sum() < 5:
            break
        used = keep
    error = _errors(basis[:, used], np.full(int(used.sum()), scatter**2))[1]
    return Extinction(
        round(float(line[1]), 4), round(float(error), 4), round(float(line[0]), 4), int(used.sum())
    )
