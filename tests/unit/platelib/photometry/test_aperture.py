import numpy as np
import pytest
from photutils.aperture import CircularAperture, aperture_photometry

from platelib.photometry.aperture import aperture_correction, aperture_fluxes


def _moffat(shape, x, y, flux, fwhm=3.0, beta=3.3):
    v, u = np.indices(shape)
    width = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    profile = (1 + ((u - x) ** 2 + (v - y) ** 2) / width**2) ** -beta
    return flux * (beta - 1) / (np.pi * width**2) * profile


PLACES = np.array([[60.3, 50.7], [130.0, 61.2]])


def test_fluxes_agree_with_photutils():
    """On a flat sky of 10 the sums are those of exact circles, within 0.3 % of a star."""
    image = 10 + sum(_moffat((110, 190), x, y, 5000.0) for x, y in PLACES)
    flux, _ = aperture_fluxes(image, np.ones_like(image), PLACES, (5.0, 18.0), (21.0, 30.0))
    for k, radius in enumerate((5.0, 18.0)):
        exact = aperture_photometry(image - 10, CircularAperture(PLACES, radius))["aperture_sum"]
        np.testing.assert_allclose(flux[:, k], exact, rtol=3e-3)


def test_errors_are_the_scatter_of_repeated_measurements():
    """Over 200 noisy images the errors are the spread within 15 %."""
    rng = np.random.default_rng(4)
    clean = _moffat((80, 80), 40.2, 39.8, 3000.0)
    fluxes, errors = [], []
    for _ in range(200):
        image = clean + rng.normal(0, 3, clean.shape)
        flux, error = aperture_fluxes(
            image, np.full_like(image, 9.0), np.array([[40.2, 39.8]]), (5.0,), (20.0, 30.0)
        )
        fluxes.append(flux[0, 0])
        errors.append(error[0, 0])
    assert np.mean(errors) == pytest.approx(np.std(fluxes), rel=0.15)


def test_missing_pixels_and_edges_give_nan():
    """A hole inside the aperture, or the ring beyond the edge, and there is no flux."""
    image = _moffat((110, 190), *PLACES[0], 5000.0)
    image[51, 61] = np.nan
    places = np.array([PLACES[0], [12.0, 50.0], [np.nan, 3.0], PLACES[1]])
    flux, _ = aperture_fluxes(image, np.ones_like(image), places, (4.0,), (21.0, 30.0))
    assert np.isnan(flux[:3]).all()
    assert np.isfinite(flux[3]).all()


def test_correction_is_what_the_small_aperture_misses():
    """The median ratio in magnitudes, one odd star notwithstanding."""
    inner = np.array([90.0, 180.0, 450.0, 900.0, 100.0])
    outer = np.array([100.0, 200.0, 500.0, 1000.0, 900.0])
    correction, _, count = aperture_correction(inner, outer)
    assert correction == pytest.approx(2.5 * np.log10(0.9), abs=1e-4)
    assert count == 5
    assert np.isnan(aperture_correction(np.array([]), np.array([]))[0])
