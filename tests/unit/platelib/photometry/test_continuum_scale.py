import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from platelib.photometry.annulus import circle_fluxes
from platelib.photometry.continuum_scale import fit_scale

TRUE = 0.131


def _stars(count=150, scatter=0.0, seed=1, outliers=0):
    rng = np.random.default_rng(seed)
    broad = 10 ** rng.uniform(2.2, 4.5, count)
    narrow = TRUE * broad * (1 + scatter * rng.standard_normal(count))
    narrow[:outliers] += 3 * narrow[:outliers]
    broad_error, narrow_error = np.sqrt(100 + broad), np.sqrt(9 + 0.5 * narrow)
    return (
        narrow + narrow_error * rng.standard_normal(count),
        narrow_error,
        broad + broad_error * rng.standard_normal(count),
        broad_error,
    )


def test_the_scale_is_right_within_its_error():
    """Over many fields the error is honest and the scale without bias; no colour is made up."""
    fits = [fit_scale(*_stars(seed=seed)) for seed in range(80)]
    pulls = np.array([(fit.value - TRUE) / fit.error for fit in fits])
    assert np.std(pulls) == pytest.approx(1.0, abs=0.15)
    assert abs(np.mean(pulls)) < 0.25
    assert np.median([fit.scatter for fit in fits]) < 0.01


def test_the_scale_minimises_the_effective_variance():
    """Compared with scipy.optimize on the chi square of a line with errors in both coordinates.

    Press et al., Numerical Recipes, section 15.3, equation 15.3.2, without an intercept.
    """
    narrow, narrow_error, broad, broad_error = _stars(seed=4)

    def chi_square(slope):
        return np.sum(
            (narrow - slope * broad) ** 2 / (narrow_error**2 + (slope * broad_error) ** 2)
        )

    found = minimize_scalar(chi_square, (0.9 * TRUE, 1.1 * TRUE)).x
    fit = fit_scale(narrow, narrow_error, broad, broad_error)
    assert fit.value == pytest.approx(found, abs=0.5 * fit.error)


def test_the_colours_of_stars_are_told_and_make_the_error_larger():
    """Stars that differ by 4 % give that scatter, and the error of a mean of so many of them."""
    fits = [fit_scale(*_stars(scatter=0.04, seed=seed)) for seed in range(40)]
    assert np.mean([fit.scatter for fit in fits]) == pytest.approx(0.04, rel=0.15)
    pulls = np.array([(fit.value - TRUE) / fit.error for fit in fits])
    assert np.std(pulls) == pytest.approx(1.0, abs=0.25)


def test_stars_with_lines_do_not_pull():
    """Every tenth star four times as bright moves the scale by no more than its error."""
    moved = []
    for seed in range(20):
        with_lines = fit_scale(*_stars(scatter=0.02, seed=seed, outliers=15))
        moved.append((with_lines.value - TRUE) / with_lines.error)
        assert with_lines.stars < 150
    assert abs(np.mean(moved)) < 1


def test_what_is_no_field_of_stars_is_refused():
    """Too few stars, and light of the wrong sign."""
    columns = _stars(4)
    with pytest.raises(ValueError, match="4 stars are too few to fit a scale, 5 are needed"):
        fit_scale(*columns)
    narrow, *rest = _stars(40)
    with pytest.raises(ValueError, match="stars show no light in common"):
        fit_scale(-narrow, *rest)


def test_circle_fluxes_are_those_of_photutils():
    """Compared with photutils on a field with a slope; stars on gaps have no flux."""
    from photutils.aperture import ApertureStats, CircularAnnulus, CircularAperture

    rng = np.random.default_rng(3)
    y, x = np.indices((80, 100))
    image = (0.05 * x + rng.standard_normal((80, 100))).astype(np.float32)
    variance = rng.uniform(0.5, 2, (80, 100)).astype(np.float32)
    places = np.array([20.3, 50.0, 77.7]), np.array([30.0, 41.6, 22.2])
    image[41, 52] = np.nan
    flux, error = circle_fluxes(image, variance, *places, 5.0)
    assert np.isnan([flux[1], error[1]]).all()
    for k in (0, 2):
        place = places[0][k], places[1][k]
        circle, ring = CircularAperture(place, 5.0), CircularAnnulus(place, 10.0, 17.5)
        sky = ApertureStats(image, ring).mean
        expected = ApertureStats(image, circle).sum - sky * circle.area
        assert flux[k] == pytest.approx(expected, abs=0.5)
        noise = np.sqrt(ApertureStats(variance, circle).sum)
        assert error[k] == pytest.approx(noise, rel=0.15)
