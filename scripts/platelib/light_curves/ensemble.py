"""Ensemble photometry: every star against the stable stars of all subs at a time.

The flux of star j in sub i is ``F_j exp(z_i(place) + k_night X_i c_j)``; the zero points z are
polynomials across the field. Means and zero points are fitted in turn (Honeycutt 1992, PASP 104,
435, from memory), with weights from the errors and the scatter of each comparison star.
"""

from dataclasses import dataclass

import numpy as np

from platelib.light_curves.colour_extinction import ColourExtinction, fit_colour_extinction
from platelib.light_curves.field_terms import choose_degrees, combined, fit_field
from platelib.light_curves.flux_series import FluxSeries
from platelib.light_curves.peers import neighbour_quantiles
from platelib.light_curves.robust_columns import biweights, column_medians, column_scatter
from platelib.numerics.polynomial_degree import count_terms
from platelib.numerics.transform import basis

_LEAST_SNR, _LEAST_COVERAGE, _FEWEST = 20.0, 0.6, 3
_MOST_SHARE, _LEAST_SCATTER = 0.05, 5e-4
_CUT, _UNSTABLE = 5.0, 3.0
_ROUNDS, _CHOICES, _COLOUR_ROUNDS = 9, (1, 4), (2, 4)
_MOST_STARS = 800
HIGHEST_DEGREE = 3


@dataclass(frozen=True, eq=False)
class Ensemble:
    """Light curves of all stars in one aperture.

    Attributes
    ----------
    relative : numpy.ndarray
        ``(n_subs, n_stars)``: flux over the star's mean, by zero points without the star itself.
    plain : numpy.ndarray
        The same by zero points that comparison stars had a share in.
    noise : numpy.ndarray
        ``(n_subs, n_stars)``: relative error by photons, read noise and scintillation.
    zero_error : numpy.ndarray
        ``(n_subs, n_stars)``: relative error of the zero point at the star.
    zero_point : numpy.ndarray
        ``(n_subs,)`` magnitudes in the middle of the field, above the mean of all subs.
    degree : numpy.ndarray
        ``(n_subs,)`` int: of the zero point across the field; -1 for subs without stars.
    weight : numpy.ndarray
        ``(n_subs, n_stars)``: of comparison stars, 0 for others.
    scatter : numpy.ndarray
        ``(n_stars,)``: robust relative scatter.
    extinction : ColourExtinction
    """

    relative: np.ndarray
    plain: np.ndarray
    noise: np.ndarray
    zero_error: np.ndarray
    zero_point: np.ndarray
    degree: np.ndarray
    weight: np.ndarray
    scatter: np.ndarray
    extinction: ColourExtinction


@dataclass(eq=False)
class _Model:
    """Logarithm of the expected flux of comparison stars, in parts."""

    mean: np.ndarray
    coefficients: np.ndarray
    extinction: ColourExtinction

    def level(self, terms: np.ndarray, series: FluxSeries) -> np.ndarray:
        """Return the expected flux of each star in each sub."""
        colour = self.extinction.at(series.airmass, series.night, series.colour)
        return np.exp(self.mean + combined(self.coefficients, terms) + colour)


def fit_ensemble(
    series: FluxSeries,
    aperture: int,
    scintillation: np.ndarray,
    highest_degree: int = HIGHEST_DEGREE,
) -> Ensemble:
    """Return the light curves of a series in one aperture.

    Comparison stars have a signal-to-noise ratio of 20 in the median sub, are measured in 60 % of
    the subs, and scatter like stars of their brightness. None has more than 5 % of the weight, if
    they are 20 or more; the 800 brightest are enough.

    Parameters
    ----------
    series : FluxSeries
    aperture : int
        Number of the aperture.
    scintillation : numpy.ndarray
        ``(n_subs,)``: relative noise; 0 where unknown.
    highest_degree : int
        Of polynomials across the field.

    Returns
    -------
    Ensemble

    Raises
    ------
    ValueError
        With fewer than 3 comparison stars.
    """
    flux, error = series.flux[aperture], series.error[aperture]
    flux = np.where(np.isfinite(error) & (error > 0), flux, np.nan)
    start = _start_levels(flux, series.transparency)
    able = _able(flux, error)
    if able.sum() < _FEWEST:
        msg = (
            f"{int(able.sum())} stars have a signal-to-noise ratio of {_LEAST_SNR:g} in "
            f"{_LEAST_COVERAGE:.0%} of the subs; ensemble photometry needs {_FEWEST}"
        )
        raise ValueError(msg)
    terms = basis(*_unit_square(series.place), highest_degree)
    chosen = _Rounds(series.of_stars(able), flux[:, able], error[:, able], scintillation)
    model, weights, degree = chosen.run(terms[:, able], start, highest_degree)
    weight = np.zeros(flux.shape)
    weight[:, able] = weights
    return _all_stars(series, flux, error, scintillation, _Fitted(model, terms, weight, degree))


@dataclass(frozen=True, eq=False)
class _Fitted:
    model: _Model
    terms: np.ndarray
    weight: np.ndarray
    degree: np.ndarray


class _Rounds:
    """The fit of comparison stars, round by round."""

    def __init__(self, series: FluxSeries, flux: np.ndarray, error: np.ndarray, extra: np.ndarray):
        self._series, self._flux, self._error, self._extra = series, flux, error, extra

    def run(
        self, terms: np.ndarray, start: np.ndarray, highest: int
    ) -> tuple[_Model, np.ndarray, np.ndarray]:
        """Return the model, the weights of the last round and the degrees."""
        n_subs, n_stars = self._flux.shape
        coefficients = np.zeros((n_subs, count_terms(highest)))
        coefficients[:, 0] = start
        nights = int(self._series.night[-1]) + 1
        none = ColourExtinction(np.zeros(nights), np.full(nights, np.nan))
        mean = np.log(np.maximum(column_medians(self._flux / np.exp(start)[:, None]), 1e-300))
        model = _Model(mean, coefficients, none)
        excess, stable = np.full(n_stars, 0.01**2), np.ones(n_stars, dtype=bool)
        degree = np.zeros(n_subs, dtype=np.int64)
        left_out = None
        weight = np.zeros(self._flux.shape)
        for number in range(_ROUNDS):
            if number in _CHOICES:
                model.coefficients[:, 1:] = 0.0  # so that the choice sees all of the gradient
            level = model.level(terms, self._series)
            deviation = self._flux / level - 1.0
            noise = (self._error / level) ** 2 + (self._extra**2)[:, None]
            spread = np.sqrt(noise + excess)
            robust = _robust_weights((deviation if left_out is None else left_out) / spread)
            weight = _capped(np.nan_to_num(robust * stable / spread**2))
            if number in _CHOICES:
                degree = choose_degrees(terms, deviation, weight, highest)
            fit = fit_field(terms, deviation, weight, degree)
            model.coefficients = model.coefficients + fit.coefficients
            residual = deviation - fit.value
            total = weight.sum(axis=0)
            step = np.nansum(weight * residual, axis=0) / np.maximum(total, 1e-300)
            model.mean = model.mean + np.where(total > 0, step, column_medians(residual))
            if number in _COLOUR_ROUNDS:
                model.extinction = self._coloured(residual - step, weight, model.extinction)
            left_out = (residual - step) / (1.0 - np.minimum(fit.leverage, 0.9))
            scatter = column_scatter(left_out)
            excess = np.maximum(scatter**2 - column_medians(noise), _LEAST_SCATTER**2)
            if number >= 2:
                stable = _stable(scatter, column_medians(noise), self._series.magnitude)
        return model, weight, degree

    def _coloured(
        self, residual: np.ndarray, weight: np.ndarray, before: ColourExtinction
    ) -> ColourExtinction:
        facts = self._series
        residual = residual + before.at(facts.airmass, facts.night, facts.colour)
        return fit_colour_extinction(residual, weight, facts.airmass, facts.night, facts.colour)


def _all_stars(
    series: FluxSeries, flux: np.ndarray, error: np.ndarray, extra: np.ndarray, fitted: _Fitted
) -> Ensemble:
    """Apply the model of the comparison stars to all."""
    scale = np.exp(combined(fitted.model.coefficients, fitted.terms))
    scale *= np.exp(fitted.model.extinction.at(series.airmass, series.night, series.colour))
    scale[fitted.degree < 0] = np.nan
    mean = _robust_mean(flux / scale, error / scale)
    level = scale * np.where(mean > 0, mean, np.nan)
    deviation = flux / level - 1.0
    fit = fit_field(fitted.terms, deviation, fitted.weight, fitted.degree)
    plain = deviation - fit.value
    other = 1.0 - np.minimum(fit.leverage, 0.9)
    relative = plain / other
    relative -= _robust_mean(relative, error / level)
    middle = fitted.model.coefficients[:, 0] + fit.coefficients[:, 0]
    seen = fit.degree >= 0
    zero = np.where(seen, 2.5 / np.log(10.0) * (middle - np.median(middle[seen])), np.nan)
    noise = np.sqrt((error / level) ** 2 + (extra**2)[:, None])
    return Ensemble(
        relative=1.0 + relative,
        plain=1.0 + plain - _robust_mean(plain, error / level),
        noise=noise,
        zero_error=np.sqrt(fit.variance / other),
        zero_point=zero,
        degree=fit.degree,
        weight=fitted.weight,
        scatter=column_scatter(relative),
        extinction=fitted.model.extinction,
    )


def _start_levels(flux: np.ndarray, transparency: np.ndarray) -> np.ndarray:
    """Return the logarithm of the brightness of each sub, by medians."""
    start = np.log(np.where(transparency > 0, transparency, np.nan))
    start = np.where(np.isfinite(start), start, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        log = np.log(np.where(flux > 0, flux, np.nan))
    bright = np.argsort(-np.nan_to_num(column_medians(log), nan=-np.inf), kind="stable")
    log = log[:, bright[: max(len(bright) // 3, 50)]]
    for _ in range(5):
        mean = column_medians(log - start[:, None])
        start = start + np.nan_to_num(column_medians((log - start[:, None] - mean).T))
    return start


def _able(flux: np.ndarray, error: np.ndarray) -> np.ndarray:
    """Return which stars are bright and complete enough for comparison, the brightest of many."""
    seen = np.isfinite(flux).any(axis=1)
    coverage = np.isfinite(flux[seen]).mean(axis=0)
    snr = np.where(coverage >= _LEAST_COVERAGE, column_medians(flux / error), 0.0)
    able = np.zeros(len(snr), dtype=bool)
    able[np.argsort(-snr, kind="stable")[:_MOST_STARS]] = True
    return able & (snr >= _LEAST_SNR)


def _unit_square(place: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return places within -1 to 1."""
    low, high = place.min(axis=0), place.max(axis=0)
    half = max(float((high - low).max()) / 2, 1e-9)
    x, y = ((place - (low + high) / 2) / half).T
    return x, y


def _robust_weights(deviation: np.ndarray) -> np.ndarray:
    """Return biweights of deviations in sigma; subs that scatter more are judged by their own."""
    own = np.maximum(np.nan_to_num(column_scatter(deviation.T), nan=1.0), 1.0)
    return biweights(deviation / own[:, None], _CUT)


def _capped(weight: np.ndarray) -> np.ndarray:
    """Limit the share of each star in the weight."""
    typical = weight.mean(axis=0)
    share = max(_MOST_SHARE, 1.0 / max(int((typical > 0).sum()), 1))
    factor = np.ones(len(typical))
    for _ in range(20):
        most = share * (typical * factor).sum()
        factor = np.minimum(factor, most / np.maximum(typical, 1e-300))
    return weight * factor


def _stable(scatter: np.ndarray, noise: np.ndarray, magnitude: np.ndarray) -> np.ndarray:
    """Return which stars scatter like others of their brightness; at least half of them."""
    excess = np.log(np.maximum(scatter, 1e-9)) - 0.5 * np.log(noise + _LEAST_SCATTER**2)
    low, middle = neighbour_quantiles(excess, magnitude, (0.25, 0.5), neighbours=51)
    width = np.maximum((middle - low) / 0.6745, 0.05)
    above = (excess - middle) / width
    return above <= max(_UNSTABLE, float(np.median(above)))


def _robust_mean(values: np.ndarray, error: np.ndarray) -> np.ndarray:
    """Return the robust mean of each column, by biweights and errors."""
    mean = column_medians(values)
    scatter = np.maximum(column_scatter(values), 1e-12)
    for _ in range(4):
        robust = biweights((values - mean) / scatter, _CUT) / (error**2 + scatter**2)
        robust = np.nan_to_num(robust)
        total = robust.sum(axis=0)
        found = np.nansum(robust * values, axis=0) / np.maximum(total, 1e-300)
        mean = np.where(total > 0, found, mean)
    return mean
