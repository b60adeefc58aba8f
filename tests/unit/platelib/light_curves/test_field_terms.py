import numpy as np
import pytest

from platelib.light_curves.field_terms import choose_degrees, fit_field
from platelib.numerics.polynomial_degree import count_terms
from platelib.numerics.transform import basis


@pytest.fixture
def field():
    """Terms up to degree 3 at 60 places, deviations of 5 subs, weights."""
    rng = np.random.default_rng(2)
    u, v = rng.uniform(-1, 1, (2, 60))
    terms = basis(u, v, 3)
    deviation = rng.normal(0, 0.01, (5, 60)) + 0.03 * u - 0.02 * u * v
    weight = rng.uniform(0.5, 2, (5, 60)) * 1e4
    weight[:, :6] = 0.0
    deviation[2, 10], weight[2, 10] = np.nan, 0.0
    return terms, deviation, weight


@pytest.mark.parametrize("degree", [0, 1, 2, 3])
def test_fit_is_that_of_weighted_least_squares(field, degree):
    """Values equal those of `numpy.linalg.lstsq` on the same stars."""
    terms, deviation, weight = field
    fit = fit_field(terms, deviation, weight, np.full(5, degree))
    few = terms[: count_terms(degree)]
    for sub in range(5):
        root = np.sqrt(weight[sub])
        coefficients = np.linalg.lstsq((few * root).T, root * np.nan_to_num(deviation[sub]))[0]
        np.testing.assert_allclose(fit.value[sub], few.T @ coefficients, atol=1e-12)


def test_leverage_leaves_a_star_out(field):
    """``residual / (1 - leverage)`` is the residual from a fit without the star."""
    terms, deviation, weight = field
    degree = np.full(5, 2)
    fit = fit_field(terms, deviation, weight, degree)
    for star in (7, 30):
        without = weight.copy()
        without[:, star] = 0.0
        other = fit_field(terms, deviation, without, degree)
        direct = deviation[:, star] - other.value[:, star]
        quick = (deviation - fit.value)[:, star] / (1 - fit.leverage[:, star])
        np.testing.assert_allclose(quick, direct, rtol=1e-9)
        variance = fit.variance[:, star] / (1 - fit.leverage[:, star])
        np.testing.assert_allclose(variance, other.variance[:, star], rtol=1e-9)


def test_variance_is_the_scatter_of_repeated_fits():
    """Over 3000 noisy subs the scatter of a fitted gradient is its stated error within 5 %."""
    rng = np.random.default_rng(5)
    terms = basis(*rng.uniform(-1, 1, (2, 25)), 1)
    sigma = rng.uniform(0.5, 2, 25)
    deviation = rng.normal(0, 1, (3000, 25)) * sigma
    weight = np.broadcast_to(1 / sigma**2, deviation.shape)
    fit = fit_field(terms, deviation, weight, np.full(3000, 1))
    np.testing.assert_allclose(fit.value.std(axis=0) / np.sqrt(fit.variance[0]), 1, rtol=0.05)


@pytest.mark.parametrize(("truth", "least"), [(0, 0.9), (1, 0.9), (2, 0.9)])
def test_degree_is_raised_only_if_the_residuals_ask_for_it(truth, least):
    """Of 400 subs nine in ten get the degree of their gradient."""
    rng = np.random.default_rng(truth)
    u, v = rng.uniform(-1, 1, (2, 80))
    terms = basis(u, v, 3)
    shape = {0: 0 * u, 1: 1.0 * u - 0.5 * v, 2: u * u - v * u}[truth]
    deviation = rng.normal(0, 1, (400, 80)) + 2.0 * shape
    found = choose_degrees(terms, deviation, np.ones((400, 80)), 3)
    assert (found == truth).mean() > least


def test_sub_without_stars_has_no_zero_point(field):
    """A sub without weight gives NaN and degree -1."""
    terms, deviation, weight = field
    weight[3] = 0.0
    fit = fit_field(terms, deviation, weight, np.zeros(5, dtype=int))
    assert np.isnan(fit.value[3]).all()
    assert fit.degree.tolist() == [0, 0, 0, -1, 0]
