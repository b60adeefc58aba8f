"""Which known body is a track: matched by place and motion, with the chance of a coincidence."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from platelib.astrometry.celestial import separation_deg
from platelib.orbits.ephemeris import Ephemeris
from platelib.orbits.field_search import PredictedPlaces

Floats = npt.NDArray[np.float64]

_ARCSEC_PER_DEG = 3600.0
_MINUTES_PER_DAY = 1440.0


@dataclass(frozen=True)
class ObservedTracks:
    """Places and motions of m tracks, each attribute ``(m,)``.

    Attributes
    ----------
    utc_jd : numpy.ndarray
        Time of the place, at best the middle of the track.
    ra_deg, dec_deg : numpy.ndarray
        ICRS.
    rate_ra, rate_dec : numpy.ndarray
        arcsec/min; ``rate_ra`` along the great circle (times cos Dec).
    position_error, rate_error : numpy.ndarray
        Standard deviations an axis, arcsec and arcsec/min.
    """

    utc_jd: Floats
    ra_deg: Floats
    dec_deg: Floats
    rate_ra: Floats
    rate_dec: Floats
    position_error: Floats
    rate_error: Floats


@dataclass(frozen=True)
class MatchLimits:
    """How far a known body may be from its track.

    Attributes
    ----------
    reach_arcsec : float
        Largest separation for bodies with well-known orbits.
    rate_reach : float
        Largest difference of motion, arcsec/min, beside three times the error of the track's.
    prediction_error, prediction_rate_error : float
        Least errors of predictions, arcsec and arcsec/min, added in quadrature to those of the
        track: elements are given to 0.00001 degrees and 1e-7.
    largest_reach_arcsec : float
        Bound of the reach of bodies with uncertain orbits, which is three times their error.
    neighbourhood_deg : float
        Radius in which known bodies are counted for the chance.
    """

    reach_arcsec: float = 30.0
    rate_reach: float = 0.05
    prediction_error: float = 1.0
    prediction_rate_error: float = 0.002
    largest_reach_arcsec: float = 600.0
    neighbourhood_deg: float = 2.0


@dataclass(frozen=True)
class OrbitMatches:
    """Known bodies of m tracks, each attribute ``(m,)``; NaN where there is none.

    Attributes
    ----------
    row : numpy.ndarray
        int: which body of the elements, -1 for none.
    residual_ra, residual_dec : numpy.ndarray
        Observed minus predicted, arcsec; ``residual_ra`` along the great circle.
    residual_along, residual_across : numpy.ndarray
        The same along the predicted motion, and to its left as seen on the sky.
    residual_rate_ra, residual_rate_dec : numpy.ndarray
        arcsec/min.
    chance : numpy.ndarray
        Probability that an unrelated known body agrees at least as well.
    candidates : numpy.ndarray
        int: bodies within the limits.
    """

    row: npt.NDArray[np.intp]
    residual_ra: Floats
    residual_dec: Floats
    residual_along: Floats
    residual_across: Floats
    residual_rate_ra: Floats
    residual_rate_dec: Floats
    chance: Floats
    candidates: npt.NDArray[np.intp]

    @property
    def separation(self) -> Floats:
        """Distance between track and prediction, arcsec."""
        return np.hypot(self.residual_ra, self.residual_dec)


def match_orbits(
    tracks: ObservedTracks,
    predicted: PredictedPlaces,
    limits: MatchLimits | None = None,
    orbit_error: npt.ArrayLike = 0.0,
) -> OrbitMatches:
    """Match tracks with the predicted places of known bodies.

    A track is compared at the predicted time nearest to its own, carried over the difference by the
    predicted motion. Of the bodies within the limits, it gets the one of the smallest distance
    ``(separation / its error)^2 + (difference of motion / its error)^2``. Two tracks may be the
    same body.

    Parameters
    ----------
    tracks : ObservedTracks
    predicted : PredictedPlaces
        Of bodies in field and margin: unmatched ones are the sample for the chance.
    limits : MatchLimits, optional
    orbit_error : array_like
        ``(n,)`` standard deviation of the predicted places by the uncertainty of their orbits,
        arcsec, taken as the same in all directions.

    Returns
    -------
    OrbitMatches
        Its ``chance`` is 1 - exp(-N), N the expected number of unrelated bodies with at most this
        distance, if each body nearby, with its own motion, lay anywhere in the neighbourhood; one
        body with the track's motion is added, and a distance below 1 counts as 1.
    """
    limits = limits or MatchLimits()
    wide = np.hypot(limits.prediction_error, np.broadcast_to(orbit_error, predicted.row.shape))
    columns = [_one_track(tracks, k, predicted, limits, wide) for k in range(tracks.utc_jd.size)]
    table = np.array(columns, dtype=float).reshape(-1, 9).T
    return OrbitMatches(
        row=table[0].astype(np.intp),
        residual_ra=table[1],
        residual_dec=table[2],
        residual_along=table[3],
        residual_across=table[4],
        residual_rate_ra=table[5],
        residual_rate_dec=table[6],
        chance=table[7],
        candidates=table[8].astype(np.intp),
    )


def _one_track(
    tracks: ObservedTracks, k: int, predicted: PredictedPlaces, limits: MatchLimits, wide: Floats
) -> tuple[float, ...]:
    """Return a row of the table of matches; ``wide`` are the errors of the predictions."""
    offsets = _offsets(tracks, k, predicted)
    place_error = np.hypot(tracks.position_error[k], wide)
    rate_error = np.hypot(tracks.rate_error[k], limits.prediction_rate_error)
    apart = np.hypot(offsets.ra, offsets.dec)
    rate_apart = np.hypot(offsets.rate_ra, offsets.rate_dec)
    allowed = limits.rate_reach + 3.0 * tracks.rate_error[k]
    reach = np.clip(3.0 * place_error, limits.reach_arcsec, limits.largest_reach_arcsec)
    within = (apart <= reach) & (rate_apart <= allowed)
    if not within.any():
        return (-1, *[np.nan] * 7, 0)
    distance = (apart / place_error) ** 2 + (rate_apart / rate_error) ** 2
    best = int(np.argmin(np.where(within, distance, np.inf)))
    near = _neighbourhood(tracks, k, predicted, limits)
    others = (apart <= near * _ARCSEC_PER_DEG) & (np.arange(apart.size) != best)
    unlike = np.append((rate_apart[others] / rate_error) ** 2, 0.0)
    sizes = np.append(place_error[others], place_error[best])
    excess = np.maximum(max(float(distance[best]), 1.0) - unlike, 0.0)
    expected = float(np.sum(excess * (sizes / (near * _ARCSEC_PER_DEG)) ** 2))
    along, across = offsets.turned(best)
    return (
        float(predicted.row[best]),
        float(offsets.ra[best]),
        float(offsets.dec[best]),
        along,
        across,
        float(offsets.rate_ra[best]),
        float(offsets.rate_dec[best]),
        float(-np.expm1(-expected)),
        int(within.sum()),
    )


@dataclass(frozen=True)
class _Offsets:
    """Observed minus predicted, arcsec and arcsec/min, ``(n,)``, and the predictions."""

    ra: Floats
    dec: Floats
    rate_ra: Floats
    rate_dec: Floats
    predicted: Ephemeris

    def turned(self, n: int) -> tuple[float, float]:
        """Return the offset of a body along its motion, and to the left of it on the sky."""
        speed = max(float(self.predicted.rate[n]), 1e-12)
        east, north = self.predicted.rate_ra[n] / speed, self.predicted.rate_dec[n] / speed
        return (
            float(self.ra[n] * east + self.dec[n] * north),
            float(self.ra[n] * north - self.dec[n] * east),
        )


def _offsets(tracks: ObservedTracks, k: int, predicted: PredictedPlaces) -> _Offsets:
    nearest = int(np.argmin(np.abs(predicted.utc_jd - tracks.utc_jd[k])))
    seen = predicted.at[nearest]
    minutes = (tracks.utc_jd[k] - predicted.utc_jd[nearest]) * _MINUTES_PER_DAY
    turn = (tracks.ra_deg[k] - seen.ra_deg + 180.0) % 360.0 - 180.0
    middle = np.deg2rad((seen.dec_deg + tracks.dec_deg[k]) / 2)
    return _Offsets(
        turn * np.cos(middle) * _ARCSEC_PER_DEG - seen.rate_ra * minutes,
        (tracks.dec_deg[k] - seen.dec_deg) * _ARCSEC_PER_DEG - seen.rate_dec * minutes,
        tracks.rate_ra[k] - seen.rate_ra,
        tracks.rate_dec[k] - seen.rate_dec,
        seen,
    )


def _neighbourhood(
    tracks: ObservedTracks, k: int, predicted: PredictedPlaces, limits: MatchLimits
) -> float:
    """Return the radius around a track, degrees, in which all known bodies are predicted."""
    field = predicted.field
    off = separation_deg(tracks.ra_deg[k], tracks.dec_deg[k], field.ra_deg, field.dec_deg)
    covered = field.reach_deg - float(off)
    least = 2.0 * limits.largest_reach_arcsec / _ARCSEC_PER_DEG
    return max(min(limits.neighbourhood_deg, covered), least)
