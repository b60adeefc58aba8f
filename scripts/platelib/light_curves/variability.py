"""Which stars vary: a ranking by significance, with its false-alarm rate."""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from platelib.light_curves.events import Events, find_events, isolated_outliers
from platelib.light_curves.flux_series import FluxSeries
from platelib.light_curves.light_curves import LightCurves
from platelib.light_curves.noise_model import reduced_chi_square
from platelib.light_curves.significance import (
    false_discovery_rates,
    maximum_log_p,
    normal_log_p,
)
from platelib.numerics.constants import MAG_ERROR

FALSE_DISCOVERY_RATE = 0.01
TESTS = ("scatter", "correlation", "flare", "dip")
_SHUFFLES, _SHUFFLED_FROM = 200, np.log(0.05)
_FEWEST = 6
_TRIMMED = 0.05
_PAIR_VARIANCE = 2.0 / np.pi


@dataclass(frozen=True, eq=False)
class Variability:
    """How each star varies.

    Attributes
    ----------
    chi_square : numpy.ndarray
        ``(n_stars,)``: reduced chi square against a constant, without isolated outliers.
    stetson_j : numpy.ndarray
        ``(n_stars,)``: correlated variation, Stetson (1996), PASP 108, 851, equation 1, of
        successive measurements in a night.
    log_p : numpy.ndarray
        ``(n_stars, 4)``: natural logarithm of the probability that a constant star does as much, by
        the tests of `TESTS`.
    log_p_any : numpy.ndarray
        ``(n_stars,)``: the least of them, times the number of tests.
    false_discovery : numpy.ndarray
        ``(n_stars,)``: share of constant stars among all that rank as high, as expected.
    false_alarm : numpy.ndarray
        ``(n_stars,)``: probability that any constant star of the field ranks as high.
    variable : numpy.ndarray
        ``(n_stars,)`` bool: by the rate asked for.
    reason : numpy.ndarray
        ``(n_stars,)`` int: the test that found it, a place in `TESTS`.
    rank : numpy.ndarray
        ``(n_stars,)`` int, from 1.
    amplitude_mag, amplitude_error_mag : numpy.ndarray
        ``(n_stars,)``: peak to peak of a sine with the scatter that the errors leave.
    seeing_share : numpy.ndarray
        ``(n_stars,)``: share of the star's variance that follows the seeing, 0 to 1: neighbours in
        the aperture; NaN where the seeing is unknown.
    outlier : numpy.ndarray
        ``(n_subs, n_stars)`` bool: isolated outliers, which no test uses.
    flare, dip : Events
    """

    chi_square: np.ndarray
    stetson_j: np.ndarray
    log_p: np.ndarray
    log_p_any: np.ndarray
    false_discovery: np.ndarray
    false_alarm: np.ndarray
    variable: np.ndarray
    reason: np.ndarray
    rank: np.ndarray
    amplitude_mag: np.ndarray
    amplitude_error_mag: np.ndarray
    seeing_share: np.ndarray
    outlier: np.ndarray
    flare: Events
    dip: Events


def find_variables(
    curves: LightCurves,
    series: FluxSeries,
    rate: float = FALSE_DISCOVERY_RATE,
    seed: int = 0,
) -> Variability:
    """Rank stars by how little a constant star could vary as they do.

    Parameters
    ----------
    curves : LightCurves
    series : FluxSeries
        That the curves are made of: stars are compared with those of their brightness.
    rate : float
        False-discovery rate: expected share of constant stars among those called variable.
    seed : int
        Of the shuffled time orders.

    Returns
    -------
    Variability
        Scatter is that of the measurements without the twentieth part that deviates most, so that
        defects of the sensor do not count; events are there for short changes. Correlation must
        exceed that of the star's peers and that of its own measurements in 200 shuffled orders.
        A star must pass a test as measured and again without what follows the seeing, which
        neighbours in its aperture explain. Stars with fewer than 6 measurements are not tested.
    """
    deviation, error, night = curves.relative - 1.0, curves.error, series.night
    outlier = isolated_outliers(deviation / error, night)
    clean = np.where(outlier, np.nan, deviation)
    clean = clean - _weighted_mean(clean, error)
    steady, share = _without_seeing(clean, error, series.fwhm_px)
    tests = _Tests(error, night, series.magnitude, seed)
    log_p, chi, j, flare, dip = tests.run(clean)
    if np.isfinite(share).any():
        log_p = np.maximum(log_p, tests.run(steady)[0])
    tested = np.isfinite(clean).sum(axis=0) >= _FEWEST
    log_p[~tested] = 0.0
    any_of = np.minimum(log_p.min(axis=1) + np.log(len(TESTS)), 0.0)
    discovery = np.ones(len(chi))
    discovery[tested] = false_discovery_rates(any_of[tested])
    rank = np.empty(len(chi), dtype=np.int64)
    rank[np.lexsort((-np.nan_to_num(chi), any_of))] = np.arange(1, len(chi) + 1)
    amplitude, amplitude_error = _amplitude(clean, error)
    return Variability(
        chi_square=chi,
        stetson_j=j,
        log_p=log_p,
        log_p_any=any_of,
        false_discovery=discovery,
        false_alarm=-np.expm1(-np.minimum(np.exp(any_of) * tested.sum(), 50.0)),
        variable=discovery <= rate,
        reason=log_p.argmin(axis=1),
        rank=rank,
        amplitude_mag=amplitude,
        amplitude_error_mag=amplitude_error,
        seeing_share=share,
        outlier=outlier,
        flare=flare,
        dip=dip,
    )


@dataclass(frozen=True, eq=False)
class _Tests:
    """The tests of `TESTS` for curves with one set of errors."""

    error: np.ndarray
    night: np.ndarray
    magnitude: np.ndarray
    seed: int

    def run(self, clean: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, Events, Events]:
        """Return the logarithms of probabilities, chi squares, J, flares and dips."""
        sigma = clean / self.error
        chi = reduced_chi_square(clean, self.error)
        kept = np.where(_extreme(sigma), np.nan, clean)
        count = np.isfinite(kept).sum(axis=0)
        found = stetson_j(sigma, self.night)
        flare, dip = (find_events(clean, self.error, self.night, sign) for sign in (1, -1))
        log_p = (
            _scatter_log_p(reduced_chi_square(kept, self.error), count, self.magnitude),
            _correlation_log_p(sigma, self.night, found, self.magnitude, self.seed),
            maximum_log_p(flare.strength, self.magnitude),
            maximum_log_p(dip.strength, self.magnitude),
        )
        return np.stack(log_p, axis=1), chi, found[0], flare, dip


def stetson_j(deviation: np.ndarray, night: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return Stetson's J of successive measurements.

    Parameters
    ----------
    deviation : numpy.ndarray
        ``(n_subs, n_stars)``: in sigma about the mean, NaN = none.
    night : numpy.ndarray
        ``(n_subs,)`` int; pairs lie in one night.

    Returns
    -------
    j : numpy.ndarray
        ``(n_stars,)``; NaN without pairs.
    pairs : numpy.ndarray
        ``(n_stars,)`` int.
    """
    together = (np.diff(night) == 0)[:, None]
    # sgn(P) sqrt|P| of a product is the product of the same of its factors.
    root = np.sign(deviation) * np.sqrt(np.abs(deviation))
    product = np.where(together, root[1:] * root[:-1], np.nan)
    pairs = np.isfinite(product).sum(axis=0)
    count = np.maximum(np.isfinite(deviation).sum(axis=0), 2)
    total = np.nansum(product, axis=0) * np.sqrt(count / (count - 1.0))
    return np.where(pairs > 0, total / np.maximum(pairs, 1), np.nan), pairs


def _extreme(sigma: np.ndarray) -> np.ndarray:
    """Return the twentieth part of each star's measurements that deviate most."""
    away = np.abs(sigma)
    away = np.where(np.isfinite(away), away, -1.0)
    count = np.ceil(_TRIMMED * (away >= 0).sum(axis=0)).astype(int)
    ordered = np.sort(away, axis=0)[::-1]
    return away >= ordered[np.maximum(count, 1) - 1, np.arange(away.shape[1])]


def _scatter_log_p(chi: np.ndarray, count: np.ndarray, magnitude: np.ndarray) -> np.ndarray:
    """Return probabilities of chi squares; their cube roots are normal (Wilson & Hilferty 1931)."""
    root = np.cbrt(chi)
    return normal_log_p(root, magnitude, np.sqrt(2.0 / (9.0 * np.maximum(count - 1, 1))))


def _correlation_log_p(
    deviation: np.ndarray,
    night: np.ndarray,
    found: tuple[np.ndarray, np.ndarray],
    magnitude: np.ndarray,
    seed: int,
) -> np.ndarray:
    """Return probabilities of J: the larger of that among peers and that of shuffled orders."""
    j, pairs = found
    log_p = normal_log_p(j, magnitude, np.sqrt(_PAIR_VARIANCE / np.maximum(pairs, 1)))
    stars = np.flatnonzero(log_p < _SHUFFLED_FROM)
    if not len(stars):
        return log_p
    rng = np.random.default_rng(seed)
    columns = deviation[:, stars]
    shuffled = np.stack(
        [stetson_j(columns[rng.permutation(len(columns))], night)[0] for _ in range(_SHUFFLES)]
    )
    middle, width = shuffled.mean(axis=0), np.maximum(shuffled.std(axis=0, ddof=1), 1e-12)
    own = stats.t.logsf((j[stars] - middle) / width, _SHUFFLES - 1)
    log_p[stars] = np.maximum(log_p[stars], np.nan_to_num(own, nan=0.0))
    return log_p


def _without_seeing(
    clean: np.ndarray, error: np.ndarray, fwhm_px: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return curves without what is a cubic of the log of the FWHM, and the share of that."""
    seeing = np.log(np.where(fwhm_px > 0, fwhm_px, np.nan))
    known = np.isfinite(clean) & np.isfinite(error) & np.isfinite(seeing)[:, None]
    weight = np.where(known, 1.0 / np.where(known, error, 1.0) ** 2, 0.0)
    x = np.where(known, seeing[:, None], 0.0)
    if len(np.unique(seeing[np.isfinite(seeing)])) < _FEWEST:
        return clean, np.full(clean.shape[1], np.nan)
    y = np.where(known, clean, 0.0)
    left = y
    terms: list[np.ndarray] = []
    x = np.where(known, x - _mean(x, weight), 0.0)
    for power in (x, x * x, x * x * x):
        term = power - _mean(power, weight)
        for other in terms:
            term = term - other * _slope(other, term, weight)
        terms.append(term)
        left = left - term * _slope(term, left, weight)
    total = np.maximum((weight * y * y).sum(axis=0), 1e-300)
    return np.where(known, left, np.nan), 1.0 - (weight * left * left).sum(axis=0) / total


def _mean(values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    return (weight * values).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-300)


def _slope(x: np.ndarray, y: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return the weighted slope of y against x through the origin."""
    return (weight * x * y).sum(axis=0) / np.maximum((weight * x * x).sum(axis=0), 1e-12)


def _weighted_mean(values: np.ndarray, error: np.ndarray) -> np.ndarray:
    known = np.isfinite(values) & np.isfinite(error)
    weight = np.where(known, 1.0 / np.where(known, error, 1.0) ** 2, 0.0)
    return _mean(np.where(known, values, 0.0), weight)


def _amplitude(deviation: np.ndarray, error: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the amplitude of a sine with the scatter beyond the errors, and its error, mag."""
    known = np.isfinite(deviation) & np.isfinite(error)
    count = np.maximum(known.sum(axis=0), 2)
    square = np.where(known, deviation, 0.0) ** 2
    noise = np.where(known, error, 0.0) ** 2
    variance = np.maximum(square.sum(axis=0) / (count - 1) - noise.sum(axis=0) / count, 0.0)
    # Variance of the sum of squares of measurements that are normal with noise, about a sine.
    doubt = np.sqrt((2 * noise**2 + 4 * noise * variance).sum(axis=0)) / count
    scatter = np.sqrt(variance)
    scatter_error = np.where(variance > doubt, 0.5 * doubt / np.maximum(scatter, 1e-12), doubt**0.5)
    factor = 2.0 * np.sqrt(2.0) * MAG_ERROR
    return factor * scatter, factor * scatter_error
