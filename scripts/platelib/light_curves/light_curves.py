"""Calibrated light curves of a channel, with honest errors."""

from dataclasses import dataclass

import numpy as np

from platelib.light_curves.ensemble import HIGHEST_DEGREE, Ensemble, fit_ensemble
from platelib.light_curves.flux_series import FluxSeries
from platelib.light_curves.local_comparison import (
    Comparisons,
    check_stars,
    choose_comparisons,
    local_curves,
)
from platelib.light_curves.noise_model import NoiseModel, fit_noise
from platelib.light_curves.peers import brightness_classes
from platelib.light_curves.robust_columns import column_medians, column_scatter
from platelib.numerics.constants import MAG_ERROR
from platelib.photometry.scintillation import Telescope, scintillation

_LEAST_GAIN = 0.98
_FEWEST_LOCAL = 10


@dataclass(frozen=True, eq=False)
class LightCurves:
    """Light curves of the stars of a channel.

    Attributes
    ----------
    relative : numpy.ndarray
        ``(n_subs, n_stars)`` float64: flux over the star's mean; NaN = none.
    error : numpy.ndarray
        ``(n_subs, n_stars)``: its error, by photons, read noise, scintillation, zero point and the
        floor of the star's class.
    limit : numpy.ndarray
        ``(n_subs, n_stars)``: its error by photons, read noise and scintillation alone.
    zero_point, zero_point_error : numpy.ndarray
        ``(n_subs,)`` magnitudes in the middle of the field, above the mean of the subs.
    degree : numpy.ndarray
        ``(n_subs,)`` int: of the zero point across the field; -1 for a sub without stars.
    classes : numpy.ndarray
        ``(n_stars,)`` int: class of brightness, 0 the brightest.
    aperture : numpy.ndarray
        ``(n_stars,)`` int: number of the aperture.
    local : numpy.ndarray
        ``(n_stars,)`` bool: corrected by the star's own comparison stars besides the ensemble.
    comparison : numpy.ndarray
        ``(n_stars,)``: share of the star in the weight of the ensemble; 0 = no comparison star.
    check_star : numpy.ndarray
        ``(n_stars,)`` int: number of the star to show beside it.
    extinction : numpy.ndarray
        ``(n_nights,)``: magnitudes a unit of airmass and magnitude of colour; 0 = none found.
    noise : NoiseModel
    """

    relative: np.ndarray
    error: np.ndarray
    limit: np.ndarray
    zero_point: np.ndarray
    zero_point_error: np.ndarray
    degree: np.ndarray
    classes: np.ndarray
    aperture: np.ndarray
    local: np.ndarray
    comparison: np.ndarray
    check_star: np.ndarray
    extinction: np.ndarray
    noise: NoiseModel

    @property
    def magnitude(self) -> np.ndarray:
        """``(n_subs, n_stars)``: magnitudes above the star's mean; NaN for fluxes not above 0."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.relative > 0, -2.5 * np.log10(self.relative), np.nan)

    @property
    def magnitude_error(self) -> np.ndarray:
        """``(n_subs, n_stars)`` magnitudes, at the flux that was measured."""
        flux = np.where(self.relative > 0, self.relative, np.nan)
        return np.asarray(MAG_ERROR * self.error / flux)

    @property
    def scatter(self) -> np.ndarray:
        """``(n_stars,)`` magnitudes: robust scatter."""
        return np.asarray(MAG_ERROR * column_scatter(self.relative))


@dataclass(frozen=True, eq=False)
class _Candidate:
    """Curves of all stars made in one way."""

    aperture: int
    ensemble: Ensemble
    relative: np.ndarray
    zero_error: np.ndarray
    local: bool
    scatter: np.ndarray


def light_curves(
    series: FluxSeries, telescope: Telescope | None = None, highest_degree: int = HIGHEST_DEGREE
) -> LightCurves:
    """Return the light curves of a series.

    Every aperture is tried, with and without comparison stars of each star's own; each class of
    brightness takes the way in which its stars scatter least, in the median. A later way must
    lower the scatter by 2 %.

    Parameters
    ----------
    series : FluxSeries
    telescope : Telescope, optional
        For scintillation; without it the floor holds that as well.
    highest_degree : int
        Of polynomials across the field.

    Returns
    -------
    LightCurves

    Raises
    ------
    ValueError
        With fewer than 3 comparison stars in an aperture.
    """
    extra = np.zeros(series.n_subs)
    if telescope is not None:
        extra = scintillation(telescope, series.airmass, series.exposure_s)
    candidates: list[_Candidate] = []
    checks = []
    for aperture in range(series.n_apertures):
        ensemble = fit_ensemble(series, aperture, extra, highest_degree)
        comparisons = choose_comparisons(series, ensemble)
        candidates += _candidates(ensemble, comparisons, aperture)
        checks.append(check_stars(ensemble, comparisons))
    classes = brightness_classes(series.magnitude)
    chosen = _choose(candidates, classes)
    relative = _picked([one.relative for one in candidates], chosen)
    known = [np.hypot(one.ensemble.noise, one.zero_error) for one in candidates]
    noise = fit_noise(relative - 1.0, _picked(known, chosen), classes)
    first = candidates[int(np.bincount(chosen).argmax())].ensemble
    weight = first.weight.sum(axis=0)
    apertures = np.array([one.aperture for one in candidates])[chosen]
    return LightCurves(
        relative=relative,
        error=noise.error,
        limit=_picked([one.ensemble.noise for one in candidates], chosen),
        zero_point=first.zero_point,
        zero_point_error=MAG_ERROR * column_medians(first.zero_error.T),
        degree=first.degree,
        classes=classes,
        aperture=apertures,
        local=np.array([one.local for one in candidates])[chosen],
        comparison=weight / weight.sum(),
        check_star=np.stack(checks)[apertures, np.arange(series.n_stars)],
        extinction=-MAG_ERROR * first.extinction.slope,
        noise=noise,
    )


def _candidates(ensemble: Ensemble, comparisons: Comparisons, aperture: int) -> list[_Candidate]:
    """Return the ways to make curves of one aperture: by the ensemble, and by each star's own."""
    plain = (ensemble.relative, ensemble.zero_error)
    found = [_Candidate(aperture, ensemble, *plain, False, ensemble.scatter)]
    if comparisons.stars.shape[1] >= _FEWEST_LOCAL:
        near = local_curves(ensemble, comparisons)
        found.append(_Candidate(aperture, ensemble, *near, True, column_scatter(near[0])))
    return found


def _choose(candidates: list[_Candidate], classes: np.ndarray) -> np.ndarray:
    """Return the number of the candidate that serves each star's class best."""
    chosen = np.zeros(len(classes), dtype=np.int64)
    for number in range(int(classes.max()) + 1):
        stars = classes == number
        best, least = 0, np.inf
        for k, candidate in enumerate(candidates):
            values = candidate.scatter[stars]
            values = values[~np.isnan(values)]
            typical = float(np.median(values)) if len(values) else np.inf
            if typical < _LEAST_GAIN * least:
                best, least = k, typical
        chosen[stars] = best
    return chosen


def _picked(arrays: list[np.ndarray], chosen: np.ndarray) -> np.ndarray:
    """Return for each star the column of the array that was chosen for it."""
    result = np.empty_like(arrays[0])
    for k, array in enumerate(arrays):
        result[:, chosen == k] = array[:, chosen == k]
    return result
