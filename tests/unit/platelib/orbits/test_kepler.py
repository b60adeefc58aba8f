import numpy as np
import pytest
from scipy.optimize import brentq

from platelib.orbits import kepler


def anomaly_by_bisection(mean, e):
    """Return the eccentric or hyperbolic anomaly by a general root finder."""
    if e < 1:
        return brentq(lambda a: a - e * np.sin(a) - mean, -1, 2 * np.pi, xtol=1e-15, rtol=1e-15)
    reach = np.arcsinh(mean / (e - 1)) + 1
    return brentq(lambda a: e * np.sinh(a) - a - mean, 0, reach, xtol=1e-14, rtol=1e-15)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_anomalies_equal_those_of_a_root_finder(seed):
    """For eccentricities from 0 to 5, the solution equals scipy's brentq on Kepler's equation."""
    rng = np.random.default_rng(seed)
    e = np.concatenate([rng.uniform(0, 0.999, 150), rng.uniform(1.001, 5, 150)])
    mean = np.where(e < 1, rng.uniform(0, np.pi, e.size), 10 ** rng.uniform(-3, 4, e.size))
    root = np.sqrt(np.abs(1 - e))  # sqrt(alpha) of a perihelion at 1 au
    s, _, _ = kepler.solve(mean / root**3, 1.0, e)
    expected = np.array([anomaly_by_bisection(m, one) for m, one in zip(mean, e, strict=True)])
    np.testing.assert_allclose(s * root, expected, rtol=2e-12, atol=1e-13)


def test_parabola_is_barkers_equation():
    """At e = 1, the true anomaly solves ``t = sqrt(2 q^3) (w + w^3/3)``, w its half tangent."""
    w = np.array([-30.0, -1.0, -1e-6, 0.0, 1e-6, 0.2, 1.0, 30.0])
    q = 0.7
    s, _, _ = kepler.solve(np.sqrt(2 * q**3) * (w + w**3 / 3), q, 1.0)
    np.testing.assert_allclose(s, np.sqrt(2 * q) * w, rtol=1e-14, atol=1e-18)


@pytest.mark.parametrize("seed", [4, 5])
def test_equation_holds_near_the_parabola_and_far_out(seed):
    """The residual of the equation is rounding, within 1e-10 of e = 1 and for long times."""
    rng = np.random.default_rng(seed)
    e = 1 + rng.choice([-1, 1], 4000) * 10 ** rng.uniform(-10, -0.1, 4000)
    q = 10 ** rng.uniform(-3, 2, 4000)
    half_period = np.where(e < 1, np.pi * (q / np.abs(1 - e)) ** 1.5, np.inf)
    time = np.minimum(10 ** rng.uniform(-6, 5, 4000), 0.999 * half_period)
    s, c2, c3 = kepler.solve(time, q, e)
    np.testing.assert_allclose(q * s + e * s**3 * c3, time, rtol=5e-14)
    assert np.all(q + e * s**2 * c2 >= q * (1 - 1e-12))


def test_time_is_odd_and_periods_repeat():
    """Times before perihelion give the negative, and whole periods change nothing."""
    time, e = np.array([0.3, 1.0, 2.9]), np.array([0.0, 0.5, 0.9])
    forth, _, _ = kepler.solve(time, 1 - e, e)
    back, _, _ = kepler.solve(-time, 1 - e, e)
    later, _, _ = kepler.solve(time + 14 * np.pi, 1 - e, e)
    np.testing.assert_array_equal(forth, -back)
    np.testing.assert_allclose(later, forth, atol=1e-12)


def test_unsound_rows_give_nan_alone():
    """A row without a sound orbit gives NaN and leaves its neighbours alone."""
    s, _, _ = kepler.solve([1.0, np.nan, 1.0, 1.0], [1.0, 1.0, -1.0, 1.0], [0.1, 0.1, 0.1, -0.1])
    assert np.isfinite(s).tolist() == [True, False, False, False]


def test_stumpff_functions_have_their_closed_forms():
    """c2 and c3 are their trigonometric and hyperbolic forms on both sides of the change at -10."""
    z = np.array([9.8, 3.0, -3.0, -9.99, -10.01, -400.0])
    root = np.sqrt(z.astype(complex))
    c2, c3 = kepler.stumpff(z)
    np.testing.assert_allclose(c2, ((1 - np.cos(root)) / z).real, rtol=1e-14)
    np.testing.assert_allclose(c3, ((root - np.sin(root)) / root**3).real, rtol=1e-13)
