import numpy as np
import pytest
from scipy.optimize import curve_fit

from platelib.movers.rate_fit import (
    distance_au,
    fit_motion,
    fit_rate,
    most_acceleration,
    most_parallax_rate,
)


@pytest.mark.parametrize("terms", [2, 3])
def test_fits_agree_with_scipy(terms):
    """Coefficients and covariance are those of `scipy.optimize.curve_fit`."""
    rng = np.random.default_rng(terms)
    t, sigma = np.sort(rng.uniform(-90, 150, 9)), rng.uniform(0.1, 0.6, 9)
    x, y = 1000 + 0.3 * t + rng.normal(0, sigma), 500 - 0.1 * t + rng.normal(0, sigma)
    fit = fit_rate(t, x, y, sigma, terms)

    def motion(time, *coefficients):
        return sum(c * (time - fit.epoch) ** k for k, c in enumerate(coefficients))

    for axis, places in enumerate((x, y)):
        best, covariance = curve_fit(
            motion, t, places, p0=np.zeros(terms), sigma=sigma, absolute_sigma=True
        )
        assert fit.coefficients[axis] == pytest.approx(best, rel=1e-5, abs=1e-7)
        assert fit.covariance == pytest.approx(covariance, rel=1e-3, abs=1e-10)
    assert fit.degrees == 2 * (9 - terms)
    powers = np.vander(np.array([200.0]) - fit.epoch, terms, increasing=True)
    assert fit.error_at(np.array([200.0])) == pytest.approx(
        np.sqrt(powers @ covariance @ powers.T)[0], rel=1e-3
    )


def test_rates_are_unbiased_and_their_errors_true():
    """Over drawn tracks, errors of rate and place have unit scatter, and chi square its mean."""
    rng = np.random.default_rng(1)
    t, sigma = np.linspace(0, 60, 8), np.full(8, 0.2)
    pulls, chi2 = [], []
    for _ in range(400):
        fit = fit_rate(t, 3 * t + rng.normal(0, sigma), -t + rng.normal(0, sigma), sigma)
        pulls.append((fit.coefficients[0, 1] - 3) / fit.rate_error)
        pulls.append((fit.at(np.array([90.0]))[0, 0] - 270) / fit.error_at(np.array([90.0]))[0])
        chi2.append(fit.chi2 / fit.degrees)
    assert abs(np.mean(pulls)) < 0.15 and abs(np.std(pulls) - 1) < 0.1
    assert abs(np.mean(chi2) - 1) < 0.06


def test_an_acceleration_is_fitted_where_parallax_allows_for_it():
    """A track bent by parallax is fitted with three terms, a straight one or a kink with two."""
    t, sigma = np.linspace(-180, 180, 20), np.full(20, 0.2)
    rng = np.random.default_rng(2)
    noise = rng.normal(0, 0.2, (2, 20))
    bend = 0.5 * 0.8 * most_acceleration(2.0)
    bent = fit_motion(t, 2 * t + bend * t**2 + noise[0], noise[1], sigma, 1.0)
    assert bent.coefficients.shape == (2, 3) and bent.chi2 < 3 * bent.degrees
    assert fit_motion(t, 2 * t + noise[0], noise[1], sigma, 1.0).coefficients.shape == (2, 2)
    kink = fit_motion(t, 2 * t + 20 * bend * t**2 + noise[0], noise[1], sigma, 1.0)
    assert kink.coefficients.shape == (2, 2)


def test_parallax_of_an_object_at_one_au():
    """The turning Earth adds up to 8.8 arcsec by 2 pi a sidereal day to a rate."""
    assert distance_au(0.5) == 1
    assert most_parallax_rate(0.5) == pytest.approx(8.794 * 2 * np.pi / 1436.07)
    assert distance_au(1e9) == 0.003 and distance_au(0.0) == 3


def test_too_few_places_are_refused():
    """A rate needs two places."""
    one = np.zeros(1)
    with pytest.raises(ValueError, match="2 terms needs as many places, not 1"):
        fit_rate(one, one, one, one)
