import numpy as np
import pytest

from platelib.numerics.transform import (
    basis,
    exponents,
    identity,
    least_squares,
    normalisation,
    polynomial,
)

SHAPE = (2800, 4200)


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_least_squares_equals_numpy(degree):
    """The ordered solution is that of numpy.linalg.lstsq on the weighted rows."""
    rng = np.random.default_rng(degree)
    u, v = rng.uniform(-1, 1, (2, 200))
    terms = basis(u, v, degree)
    target = rng.normal(0, 1000, (2, 200))
    weights = rng.uniform(0.1, 10, 200)
    root = np.sqrt(weights)
    expected = np.linalg.lstsq((root * terms).T, (root * target).T, rcond=None)[0].T
    np.testing.assert_allclose(least_squares(terms, target, weights), expected, rtol=1e-9)


def test_polynomial_is_the_product():
    """Values of a polynomial are the product of its terms and coefficients."""
    rng = np.random.default_rng(12)
    terms, coefficients = rng.normal(0, 1, (10, 50)), rng.normal(0, 100, (2, 10))
    np.testing.assert_allclose(polynomial(terms, coefficients), coefficients @ terms, rtol=1e-12)


def test_exponents_name_every_power_once():
    """The order of the coefficients is by total degree, powers of u falling."""
    assert exponents(2) == [(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)]
    assert len(exponents(3)) == 10


def test_identity_leads_nowhere_else():
    """The reference's own transform returns the grid's pixels."""
    xy = np.random.default_rng(11).uniform(0, 3000, (100, 2))
    places = identity(SHAPE)(xy[:, 0], xy[:, 1])
    np.testing.assert_allclose(np.stack(places, axis=1), xy, atol=1e-9)
    assert normalisation(SHAPE) == (2099.5, 1399.5, 2100.0)
