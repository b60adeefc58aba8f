"""Probabilities that a constant star shows as much, against stars of its brightness."""

import numpy as np
from scipy import stats

from platelib.light_curves.peers import neighbour_quantiles

_QUARTILE = 0.6745
_GUMBEL_LOW, _GUMBEL_MIDDLE, _GUMBEL_HIGH = -0.32663, 0.36651, 1.24590
"""Quartiles and median of the standard Gumbel distribution, ``-ln(-ln p)``."""
_MAD_EFFICIENCY = 0.37
_ROUNDS, _PEER = 4, 4.0
NEIGHBOURS = 101


def normal_log_p(
    statistic: np.ndarray, magnitude: np.ndarray, least_width: np.ndarray
) -> np.ndarray:
    """Return the log of the probability of a statistic that is normal for constant stars.

    Middle and width are those of the stars nearest in brightness, by their quartiles, without
    stars that stand out (an empirical null, Efron 2004, JASA 99, 96). The tail is Student's, with
    the freedom that a width by quartiles has (37 % of the number of peers).

    Parameters
    ----------
    statistic : numpy.ndarray
        ``(n_stars,)``, NaN = none.
    magnitude : numpy.ndarray
        ``(n_stars,)``.
    least_width : numpy.ndarray
        ``(n_stars,)``: standard deviation by theory, for independent normal errors.

    Returns
    -------
    numpy.ndarray
        ``(n_stars,)`` natural logarithm; 0 for NaN.
    """
    use = np.isfinite(statistic)
    z = np.zeros(len(statistic))
    for _ in range(_ROUNDS):
        low, middle, high = neighbour_quantiles(
            statistic, magnitude, (0.25, 0.5, 0.75), use, NEIGHBOURS
        )
        width = np.maximum(np.maximum(middle - low, high - middle) / _QUARTILE, least_width)
        z = np.where(np.isfinite(statistic), (statistic - middle) / width, 0.0)
        use = z < _PEER
    freedom = _MAD_EFFICIENCY * max(min(NEIGHBOURS, int(use.sum())), 3)
    return np.asarray(stats.t.logsf(z, freedom))


def maximum_log_p(statistic: np.ndarray, magnitude: np.ndarray) -> np.ndarray:
    """Return the log of the probability of a statistic that is a maximum of many.

    Place and width of the Gumbel distribution are those of the stars nearest in brightness, by
    their quartiles, without stars that stand out. The width is taken larger by two of its standard
    errors.

    Parameters
    ----------
    statistic, magnitude : numpy.ndarray
        ``(n_stars,)``.

    Returns
    -------
    numpy.ndarray
        ``(n_stars,)`` natural logarithm.
    """
    use = np.isfinite(statistic)
    z = np.zeros(len(statistic))
    for _ in range(_ROUNDS):
        low, middle, high = neighbour_quantiles(
            statistic, magnitude, (0.25, 0.5, 0.75), use, NEIGHBOURS
        )
        width = np.maximum(
            (middle - low) / (_GUMBEL_MIDDLE - _GUMBEL_LOW),
            (high - middle) / (_GUMBEL_HIGH - _GUMBEL_MIDDLE),
        )
        peers = max(min(NEIGHBOURS, int(use.sum())), 3)
        width = np.maximum(width, 1e-9) * (1.0 + 2.0 / np.sqrt(peers))
        z = np.where(np.isfinite(statistic), (statistic - middle) / width + _GUMBEL_MIDDLE, -9.0)
        use = z < 2 * _PEER
    # ln(1 - exp(-e)) with e = exp(-z); for small e it is ln e.
    near = np.log(-np.expm1(-np.exp(-np.clip(z, -7.0, 18.0))))
    return np.where(z < 18.0, near, -z)


def false_discovery_rates(log_p: np.ndarray) -> np.ndarray:
    """Return the least false-discovery rate at which each star counts as found.

    Parameters
    ----------
    log_p : numpy.ndarray
        ``(n,)`` natural logarithms of probabilities.

    Returns
    -------
    numpy.ndarray
        ``(n,)``, 0 to 1.

    References
    ----------
    Benjamini & Hochberg (1995), Journal of the Royal Statistical Society B 57, 289.
    """
    count = len(log_p)
    order = np.argsort(log_p, kind="stable")
    log_q = log_p[order] + np.log(count / np.arange(1, count + 1))
    rates = np.empty(count)
    rates[order] = np.minimum(np.exp(np.minimum.accumulate(log_q[::-1])[::-1]), 1.0)
    return rates
