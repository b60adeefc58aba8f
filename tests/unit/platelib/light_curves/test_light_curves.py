from dataclasses import replace

import numpy as np
import pytest
from drawn_light_curves import TELESCOPE, Plan, draw

from platelib.light_curves.light_curves import light_curves
from platelib.light_curves.noise_model import reduced_chi_square
from platelib.numerics.constants import MAG_ERROR

PLAN = Plan(n_stars=800, n_subs=80, n_nights=4, n_variables=60)


@pytest.fixture(scope="module", params=[1, 2])
def drawn(request):
    """Four nights of 800 stars through cloud, with their curves and their truth."""
    series, truth = draw(request.param, PLAN)
    return series, truth, light_curves(series, TELESCOPE)


def test_bright_constant_stars_reach_the_limit(drawn):
    """They scatter by less than 1.3 times photons and scintillation, in each of three classes."""
    series, truth, curves = drawn
    limit = MAG_ERROR * np.median(curves.limit, axis=0)
    for number in range(3):
        stars = (curves.classes == number) & (truth.kind == "")
        assert np.median(curves.scatter[stars] / limit[stars]) < 1.3


def test_chi_square_of_constant_stars_is_1_in_every_class(drawn):
    """The median, over that of the distribution, is within 10 %."""
    _, truth, curves = drawn
    chi = reduced_chi_square(curves.relative - 1, curves.error)
    for number in range(int(curves.classes.max()) + 1):
        stars = (curves.classes == number) & (truth.kind == "")
        assert np.median(chi[stars]) == pytest.approx(1, abs=0.1)


def test_curves_follow_variables(drawn):
    """Curves of bright variables are those drawn within their errors."""
    series, truth, curves = drawn
    stars = np.flatnonzero((truth.amplitude > 0.1) & (series.magnitude < 14))
    for star in stars.tolist():
        drawn_curve = truth.brightness[:, star] / truth.brightness[:, star].mean()
        off = (curves.relative[:, star] - drawn_curve) / curves.error[:, star]
        off -= np.median(off)
        assert 1.4826 * np.median(np.abs(off)) < 1.6


def test_magnitudes_are_those_of_the_relative_flux(drawn):
    """Magnitudes of fluxes not above 0 are NaN; errors are relative errors in magnitudes."""
    _, _, curves = drawn
    bright = curves.relative > 0
    assert np.isnan(curves.magnitude[~bright]).all()
    np.testing.assert_allclose(10 ** (-0.4 * curves.magnitude[bright]), curves.relative[bright])
    first = np.argwhere(bright)[0]
    expected = MAG_ERROR * curves.error[tuple(first)] / curves.relative[tuple(first)]
    assert curves.magnitude_error[tuple(first)] == pytest.approx(expected)


def test_the_aperture_that_scatters_less_is_taken():
    """Faint stars leave an aperture with three times the noise; all apertures of a class agree."""
    series, _ = draw(3, replace(PLAN, n_stars=300, n_subs=40, n_nights=1, n_variables=0))
    rng = np.random.default_rng(1)
    flux, error = series.flux.copy(), series.error.copy()
    error[1] = 3 * error[0]
    flux[1] = flux[0] + error[1] * rng.normal(0, 1, flux[0].shape)
    curves = light_curves(replace(series, flux=flux, error=error), TELESCOPE)
    assert (curves.aperture == 0).all()


def test_the_same_input_gives_the_same_bits():
    """Two calls agree to the last bit."""
    series, _ = draw(4, replace(PLAN, n_stars=200, n_subs=30, n_nights=2))
    one, other = light_curves(series), light_curves(series)
    np.testing.assert_array_equal(one.relative, other.relative)
    np.testing.assert_array_equal(one.error, other.error)
