"""Zero points of subs that change smoothly across the field."""

from dataclasses import dataclass

import numpy as np

from platelib.numerics.polynomial_degree import STARS_A_TERM, count_terms

_PENALTY = 4.0


@dataclass(frozen=True, eq=False)
class FieldFit:
    """Weighted fits of polynomials, one a sub.

    Attributes
    ----------
    value : numpy.ndarray
        ``(n_subs, n_stars)``: the polynomial at each star.
    variance : numpy.ndarray
        ``(n_subs, n_stars)``: of the value, for weights that are inverse variances.
    leverage : numpy.ndarray
        ``(n_subs, n_stars)``: share of its own deviation in the value at each star.
    degree : numpy.ndarray
        ``(n_subs,)`` int; -1 for a sub without stars.
    coefficients : numpy.ndarray
        ``(n_subs, k)``, 0 above the degree of the sub.
    """

    value: np.ndarray
    variance: np.ndarray
    leverage: np.ndarray
    degree: np.ndarray
    coefficients: np.ndarray


def fit_field(
    terms: np.ndarray, deviation: np.ndarray, weight: np.ndarray, degree: np.ndarray
) -> FieldFit:
    """Fit a polynomial of a given degree to each sub.

    Parameters
    ----------
    terms : numpy.ndarray
        ``(k, n_stars)`` float64, of `platelib.numerics.transform.basis` on places within -1 to 1.
    deviation : numpy.ndarray
        ``(n_subs, n_stars)`` float64, NaN = no value.
    weight : numpy.ndarray
        ``(n_subs, n_stars)`` float64, 0 for stars that are no comparison.
    degree : numpy.ndarray
        ``(n_subs,)`` int.

    Returns
    -------
    FieldFit
    """
    shape = deviation.shape
    blank = np.full(shape, np.nan)
    none = np.zeros((len(deviation), len(terms)))
    fit = FieldFit(blank, blank.copy(), np.zeros(shape), degree.copy(), none)
    used = np.flatnonzero((weight > 0).any(axis=0))
    fit.degree[~(weight > 0).any(axis=1)] = -1
    for one in np.unique(fit.degree[fit.degree >= 0]).tolist():
        subs = np.flatnonzero(fit.degree == one)
        count = count_terms(one)
        few, w = terms[:count, used], weight[np.ix_(subs, used)]
        values = np.nan_to_num(deviation[np.ix_(subs, used)])
        covariance = _inverse(_normal(few, w))
        right = np.stack([(w * values * row).sum(axis=1) for row in few], axis=1)
        coefficients = (covariance * right[:, None, :]).sum(axis=2)
        fit.coefficients[subs, :count] = coefficients
        fit.value[subs] = combined(coefficients, terms[:count])
        fit.variance[subs] = _quadratic(covariance, terms[:count])
        fit.leverage[subs] = weight[subs] * fit.variance[subs]
    return fit


def choose_degrees(
    terms: np.ndarray, deviation: np.ndarray, weight: np.ndarray, highest: int
) -> np.ndarray:
    """Choose the degree of the polynomial of each sub.

    A higher degree must predict each comparison star from the others better: the sum of squared
    leave-one-out residuals (Allen 1974, Technometrics 16, 125) falls by more than 4 mean squares
    for each added coefficient, which chance does in one sub in twenty at the most.

    Parameters
    ----------
    terms, deviation, weight : numpy.ndarray
        As for `fit_field`.
    highest : int

    Returns
    -------
    numpy.ndarray
        ``(n_subs,)`` int.
    """
    n_subs = len(deviation)
    stars = (weight > 0).sum(axis=1)
    best = np.zeros(n_subs, dtype=np.int64)
    loss = _left_out_loss(terms, deviation, weight, best)
    for degree in range(1, highest + 1):
        trial = np.full(n_subs, degree)
        trial[stars < STARS_A_TERM * count_terms(degree)] = 0
        if not trial.any():
            break
        new = _left_out_loss(terms, deviation, weight, trial)
        added = count_terms(degree) - np.array([count_terms(one) for one in best.tolist()])
        mean = new / np.maximum(stars - count_terms(degree), 1)
        pays = (trial > 0) & (new < loss - _PENALTY * added * mean)
        best[pays], loss[pays] = degree, new[pays]
    return best


def _left_out_loss(
    terms: np.ndarray, deviation: np.ndarray, weight: np.ndarray, degree: np.ndarray
) -> np.ndarray:
    """Return the weighted sum of squared leave-one-out residuals of each sub."""
    fit = fit_field(terms, deviation, weight, degree)
    residual = (deviation - fit.value) / (1.0 - np.minimum(fit.leverage, 0.95))
    return np.where(weight > 0, weight * residual**2, 0.0).sum(axis=1)


def _normal(terms: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return the matrices of the normal equations, ``(n_subs, k, k)``."""
    count = len(terms)
    matrices = np.empty((len(weight), count, count))
    for i in range(count):
        weighted = weight * terms[i]
        for j in range(i + 1):
            matrices[:, i, j] = matrices[:, j, i] = (weighted * terms[j]).sum(axis=1)
    return matrices


def _inverse(matrices: np.ndarray) -> np.ndarray:
    """Return the inverses of positive definite matrices, every sum in a fixed order.

    Gauss and Jordan without pivots, all matrices at a time.
    """
    count = matrices.shape[1]
    work = np.concatenate([matrices, np.broadcast_to(np.eye(count), matrices.shape)], axis=2)
    for i in range(count):
        pivot = np.maximum(work[:, i, i], 1e-12 * np.maximum(matrices[:, i, i], 1e-300))
        work[:, i] /= pivot[:, None]
        for j in range(count):
            if j != i:
                work[:, j] -= work[:, j, i : i + 1] * work[:, i]
    return work[:, :, count:]


def combined(coefficients: np.ndarray, terms: np.ndarray) -> np.ndarray:
    """Return ``coefficients @ terms`` with every sum in order."""
    total = np.zeros((len(coefficients), terms.shape[1]))
    for k, term in enumerate(terms):
        total += coefficients[:, k : k + 1] * term
    return total


def _quadratic(covariance: np.ndarray, terms: np.ndarray) -> np.ndarray:
    """Return ``terms^T covariance terms`` at each star, ``(n_subs, n_stars)``."""
    total = np.zeros((len(covariance), terms.shape[1]))
    for i, one in enumerate(terms):
        for j in range(i + 1):
            share = covariance[:, i, j, None] * (one * terms[j])
            total += share if i == j else 2.0 * share
    return total
