"""Periods of variables by the Lomb-Scargle periodogram."""

from dataclasses import dataclass

import numpy as np

from platelib.numerics.constants import MAG_ERROR

_OVERSAMPLING = 5
_SIDEREAL_DAY_D = 0.99726957
_FEWEST = 8
_MOST_FREQUENCIES = 200_000
_BOOTSTRAPS = 200
_PEAKS = 8
_LEAST_FALL = 0.9
_EXACT = {1: "cython", 2: "chi2"}
_ALIAS_POWER = 0.8
_TERM_COST = 2
"""Coefficients of a harmonic: sine and cosine."""


@dataclass(frozen=True)
class Alias:
    """Another period that fits nearly as well.

    Attributes
    ----------
    name : str
        How the frequencies are related, as ``f + 1/d``, ``f - 1/d``, ``f / 2`` or ``2 f``.
    period_d : float
    power : float
        Over that of the best period; 1 = as good.
    """

    name: str
    period_d: float
    power: float


@dataclass(frozen=True, eq=False)
class Period:
    """The period of a star.

    Attributes
    ----------
    period_d, error_d : float
        Days. The error is that of the peak's place, if it is the right peak.
    power : float
        Share of the variance that the curve explains, 0 to 1.
    terms : int
        Harmonics of the curve: 1 a sine, 2 with its first overtone.
    false_alarm : float
        Probability that independent noise has a peak as high anywhere in the range.
    amplitude_mag, amplitude_error_mag : float
        Of the fitted curve, peak to peak.
    longest_d : float
        Longest period searched for; one beyond half of it is seen less than twice.
    aliases : tuple of Alias
        With at least 0.8 of the power, strongest first.
    """

    period_d: float
    error_d: float
    power: float
    terms: int
    false_alarm: float
    amplitude_mag: float
    amplitude_error_mag: float
    longest_d: float
    aliases: tuple[Alias, ...]


@dataclass(frozen=True, eq=False)
class _Curve:
    """Measurements of a star: days, magnitudes, errors."""

    time: np.ndarray
    value: np.ndarray
    error: np.ndarray

    def periodogram(self, terms: int):
        from astropy.timeseries import LombScargle  # slow to import

        return LombScargle(self.time, self.value, self.error, nterms=terms)


def find_period(
    time_d: np.ndarray,
    relative: np.ndarray,
    error: np.ndarray,
    seed: int | None = None,
    shortest_d: float | None = None,
) -> Period | None:
    """Return the best period of a star.

    A second harmonic is kept if it lowers chi square by more than chance (Bayesian information
    criterion). Then twice the period of the sine is tried as well, which stars with two unlike
    minima have.

    Parameters
    ----------
    time_d : numpy.ndarray
        ``(n,)`` days, of one scale, best BJD(TDB).
    relative, error : numpy.ndarray
        ``(n,)``: flux over the mean, and its error; NaN = none.
    seed : int, optional
        Take the false-alarm probability from 200 shuffled series; else from Baluev (2008).
    shortest_d : float, optional
        Shortest period; else two median cadences.

    Returns
    -------
    Period or None
        None with fewer than 8 measurements, or without a range of periods.

    References
    ----------
    Zechmeister & Kuerster (2009), A&A 496, 577 (floating mean); Baluev (2008), MNRAS 385, 1279;
    VanderPlas (2018), ApJS 236, 16. Error of the frequency: Montgomery & O'Donoghue (1999), Delta
    Scuti Star Newsletter 13, 28, from memory: ``sqrt(6 / n) sigma / (pi T A)``.
    """
    good = np.isfinite(relative) & np.isfinite(error) & (relative > 0)
    if good.sum() < _FEWEST:
        return None
    time = time_d[good] - time_d[good].mean()
    values = -2.5 * np.log10(relative[good])
    curve = _Curve(time, values, MAG_ERROR * error[good])
    frequencies = _frequencies(time, shortest_d)
    if frequencies is None:
        return None
    one = curve.periodogram(1)
    best = _best_peak(curve, np.nan_to_num(one.power(frequencies)), frequencies)
    terms, frequency = _harmonics(curve, best, frequencies)
    height = float(curve.periodogram(1).power(best))
    shape, amplitude_error = _shape(curve, terms, frequency)
    amplitude = float(np.ptp(shape))
    scatter = _residual_scatter(curve, terms, frequency)
    span = float(np.ptp(time))
    # Half of peak to peak is the A of a sine.
    doubt = np.sqrt(6.0 / len(time)) * scatter / (np.pi * span * max(0.5 * amplitude, 1e-9))
    return Period(
        period_d=1.0 / frequency,
        error_d=float(doubt / frequency**2),
        power=float(curve.periodogram(terms).power(frequency)),
        terms=terms,
        false_alarm=_false_alarm(curve, height, frequencies, seed),
        amplitude_mag=amplitude,
        amplitude_error_mag=amplitude_error,
        longest_d=1.0 / float(frequencies[0]),
        aliases=_aliases(curve, best, height, frequencies),
    )


def _frequencies(time: np.ndarray, shortest_d: float | None) -> np.ndarray | None:
    """Return the grid of frequencies, 1/d: from one cycle in the series to the cadence."""
    span = float(np.ptp(time))
    steps = np.diff(np.unique(time))
    if not len(steps) or not span > 0:
        return None
    highest = 1.0 / (shortest_d or 2.0 * float(np.median(steps)))
    lowest = 1.0 / span
    count = int(_OVERSAMPLING * span * (highest - lowest)) + 1
    if not highest > lowest or count < 2:
        return None
    return np.linspace(lowest, highest, min(count, _MOST_FREQUENCIES))


def _best_peak(curve: _Curve, power: np.ndarray, grid: np.ndarray) -> float:
    """Return the frequency of the highest peak.

    Aliases differ by a few per cent in power, and so much is lost between the places of the grid:
    the highest peaks and their daily aliases are refined before they are compared.
    """
    inner = np.flatnonzero((power[1:-1] >= power[:-2]) & (power[1:-1] >= power[2:])) + 1
    peaks = np.concatenate([inner, [int(power.argmax())]])
    peaks = peaks[np.argsort(-power[peaks], kind="stable")][:_PEAKS]
    near = {float(grid[k]) for k in peaks.tolist()}
    first = float(grid[power.argmax()])
    near |= {abs(first + count / _SIDEREAL_DAY_D) for count in (-2, -1, 1, 2)}
    inside = sorted(one for one in near if grid[0] <= one <= grid[-1])
    fine = np.array([_refined(curve, 1, one, grid) for one in inside])
    return float(fine[np.nan_to_num(curve.periodogram(1).power(fine, method=_EXACT[1])).argmax()])


def _refined(curve: _Curve, terms: int, near: float, grid: np.ndarray) -> float:
    """Return the frequency of a peak to a thousandth of a step of the grid."""
    step = grid[1] - grid[0]
    periodogram = curve.periodogram(terms)
    for _ in range(3):
        fine = np.linspace(max(near - step, 0.5 * grid[0]), near + step, 21)
        near = float(fine[np.nan_to_num(periodogram.power(fine, method=_EXACT[terms])).argmax()])
        step /= 10
    return near


def _harmonics(curve: _Curve, best: float, grid: np.ndarray) -> tuple[int, float]:
    """Return the number of harmonics and the frequency that the data support."""
    cost = np.log(len(curve.time)) * _TERM_COST
    chi = _chi_square(curve, 1, best)
    found = (1, best)
    for frequency in (best, 0.5 * best):
        if frequency < grid[0]:
            continue
        fine = _refined(curve, 2, frequency, grid)
        trial = _chi_square(curve, 2, fine)
        # Errors that are too small must not buy harmonics.
        scale = max(trial / max(len(curve.time) - 5, 1), 1.0)
        if (chi - trial) / scale > cost and trial < _LEAST_FALL * chi:
            chi, found = trial, (2, fine)
    return found


def _chi_square(curve: _Curve, terms: int, frequency: float) -> float:
    model = curve.periodogram(terms).model(curve.time, frequency)
    return float((((curve.value - model) / curve.error) ** 2).sum())


def _residual_scatter(curve: _Curve, terms: int, frequency: float) -> float:
    model = curve.periodogram(terms).model(curve.time, frequency)
    return float(np.sqrt(((curve.value - model) ** 2).sum() / max(len(model) - 2 * terms - 1, 1)))


def _shape(curve: _Curve, terms: int, frequency: float) -> tuple[np.ndarray, float]:
    """Return the fitted curve over a period, and the error of its peak-to-peak height."""
    phase = np.linspace(0.0, 1.0 / frequency, 200, endpoint=False)
    shape = curve.periodogram(terms).model(phase, frequency)
    # An amplitude of n measurements has an error of sigma sqrt(2 / n); peak to peak twice that.
    return shape, 2.0 * _residual_scatter(curve, terms, frequency) * np.sqrt(2 / len(curve.time))


def _false_alarm(curve: _Curve, height: float, grid: np.ndarray, seed: int | None) -> float:
    """Return the probability of a peak as high in noise."""
    options = {
        "minimum_frequency": float(grid[0]),
        "maximum_frequency": float(grid[-1]),
        "samples_per_peak": _OVERSAMPLING,
    }
    periodogram = curve.periodogram(1)
    if seed is None:
        with np.errstate(under="ignore", divide="ignore"):
            found = periodogram.false_alarm_probability(height, method="baluev", **options)
    else:
        chance = {"n_bootstraps": _BOOTSTRAPS, "random_seed": seed}
        found = periodogram.false_alarm_probability(
            height, method="bootstrap", method_kwds=chance, **options
        )
    return float(np.clip(found, 0.0, 1.0))


def _aliases(curve: _Curve, best: float, height: float, grid: np.ndarray) -> tuple[Alias, ...]:
    """Return other frequencies that the gaps between nights, or harmonics, make likely."""
    day = 1.0 / _SIDEREAL_DAY_D
    related = {"f / 2": 0.5 * best, "2 f": 2.0 * best}
    for count in (1, 2):
        related[f"f + {count}/d"] = best + count * day
        related[f"f - {count}/d"] = abs(best - count * day)
    found = []
    for name, frequency in related.items():
        if not grid[0] <= frequency <= grid[-1]:
            continue
        # A solar and a sidereal day differ by less than a peak of half a year.
        fine = _refined(curve, 1, frequency, grid)
        power = float(curve.periodogram(1).power(fine)) / max(height, 1e-12)
        if power >= _ALIAS_POWER and abs(fine - best) > 2 * (grid[1] - grid[0]):
            found.append(Alias(name, 1.0 / fine, power))
    return tuple(sorted(found, key=lambda alias: -alias.power))
