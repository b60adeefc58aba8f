import numpy as np
import pytest

from platefiles.astrometric_report.decimals import (
    decimals,
    declination_text,
    narrow_sigma,
    right_ascension_text,
    time_text,
    uncertainty_text,
)


def test_digits_are_those_of_the_standard():
    """0.036 to 0.36 arcsec give 6 decimals of a degree, 0.1 to 1 mag give 2 (ADES, section 5)."""
    assert {decimals(s / 3600, 9) for s in (0.0361, 0.1, 0.359)} == {6}
    assert decimals(0.1, 9) == 2
    assert decimals(0.0999, 9) == 3
    assert decimals(1.0, 9) == 1
    assert decimals(1e-12, 9) == 9
    assert decimals(500.0, 9) == 0


@pytest.mark.parametrize(
    ("sigma", "width", "text"),
    [
        (0.213, 7, "0.21"),
        (1.96, 7, "2.0"),
        (0.0996, 7, "0.10"),
        (0.00476, 7, "0.0048"),
        (0.000012, 6, "0.0001"),
        (0.00012, 6, "0.0001"),
        (12.34, 6, "12"),
        (123.4, 6, "123"),
        (9.96, 6, "10"),
    ],
)
def test_uncertainties_have_two_digits(sigma, width, text):
    """Two significant digits, fewer where the width ends, never 0."""
    assert uncertainty_text(sigma, width) == text


@pytest.mark.parametrize("seed", [1, 2])
def test_rounding_is_far_below_the_error(seed):
    """Rounded places differ by at most a tenth of the error, and have no digit too many."""
    rng = np.random.default_rng(seed)
    for _ in range(500):
        ra, dec, sigma = rng.uniform(0, 360), rng.uniform(-89, 89), 10 ** rng.uniform(-3, 1)
        text = right_ascension_text(ra, sigma, dec)
        off = abs((float(text) - ra + 180) % 360 - 180) * np.cos(np.deg2rad(dec)) * 3600
        assert off <= 0.1 * sigma
        assert 0 <= float(text) < 360
        assert abs(float(declination_text(dec, sigma)) - dec) * 3600 <= 0.1 * sigma


def test_right_ascension_never_rounds_to_360():
    """A right ascension just below 360 degrees rounds to 0."""
    assert right_ascension_text(359.99999999, 0.2, 10.0) == "0.000000"


def test_correlated_errors_count_by_their_narrow_axis():
    """The semiminor axis is that of the covariance matrix, as numpy's eigenvalues give it."""
    matrix = np.array([[0.09, 0.8 * 0.3 * 0.2], [0.8 * 0.3 * 0.2, 0.04]])
    assert narrow_sigma(0.3, 0.2, 0.8) == pytest.approx(np.sqrt(np.linalg.eigvalsh(matrix)[0]))
    assert narrow_sigma(0.3, 0.2, None) == pytest.approx(0.2)


def test_times_are_rounded_and_carry():
    """Times have the digits that their error allows; rounding carries into minutes and days."""
    assert time_text(2459017.512345, 1.0) == "2020-06-17T00:17:46.6Z"
    assert time_text(2459017.512345, 20.0) == "2020-06-17T00:17:47Z"
    assert time_text(2451544.5 - 1e-9, 0.2) == "2000-01-01T00:00:00.00Z"
    assert time_text(2451544.5 + 0.25 / 86400, 1e-4) == "2000-01-01T00:00:00.250Z"
