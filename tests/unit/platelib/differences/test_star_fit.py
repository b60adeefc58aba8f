import numpy as np
import pytest

from platelib.differences.star_fit import elongation_hint, fit_star
from platelib.simulate.psf import add_stars, kernel, moffat_image


def _drawn(x, y, flux, trail=(0.0, 0.0), noise=1.0, seed=1, fwhm_px=3.0):
    """A star on noise, its weights, and the image of a star at rest."""
    image = np.random.default_rng(seed).normal(0, noise, (60, 70)).astype(np.float32)
    add_stars(image, x, y, flux, moffat_image(fwhm_px, 3.3, trail))
    rest = kernel(moffat_image(fwhm_px, 3.3))[18:31, 18:31].astype(np.float64)
    return image, np.full(image.shape, noise**-2, dtype=np.float32), rest / rest.sum()


@pytest.mark.parametrize("place", [(30.0, 25.0), (30.5, 25.5), (29.73, 25.18)])
def test_a_star_without_noise_is_placed_to_a_hundredth_of_a_pixel(place):
    """Place and flux of a noiseless star follow at all subpixel phases."""
    image, weight, rest = _drawn(*place, 1e4, noise=1e-3)
    fit = fit_star(image, weight, rest, (30.0, 25.0))
    assert abs(fit.x - place[0]) < 0.01
    assert abs(fit.y - place[1]) < 0.01
    assert abs(fit.flux / 1e4 / 0.97 - 1) < 0.02


def test_errors_are_those_of_many_draws():
    """Over 60 draws places and fluxes scatter as the fit says, within 25 %."""
    fits = []
    for seed in range(60):
        image, weight, rest = _drawn(30.3, 25.2, 150.0, seed=seed)
        fits.append(fit_star(image, weight, rest, (30.0, 25.0)))
    for value, error in (("x", "x_error"), ("y", "y_error"), ("flux", "flux_error")):
        scatter = np.std([getattr(fit, value) for fit in fits])
        expected = np.median([getattr(fit, error) for fit in fits])
        assert 0.75 < scatter / expected < 1.25


def test_a_trail_is_fitted():
    """Length and direction of a trail follow from a rough start; a known one stays as it is."""
    image, weight, rest = _drawn(30.2, 25.4, 3000.0, trail=(6.0, 3.0))
    fit = fit_star(image, weight, rest, (30.0, 25.0), (4.0, 0.0))
    assert abs(fit.length - np.hypot(6, 3)) < 0.3
    assert abs(np.degrees(np.arctan2(fit.along_y, fit.along_x)) - 26.6) < 3
    assert abs(fit.length - np.hypot(6, 3)) < 4 * fit.length_error
    known = fit_star(image, weight, rest, (30.0, 25.0), (6.0, 3.0), free_trail=False)
    assert (known.along_x, known.along_y) == (6.0, 3.0)
    assert abs(known.x - 30.2) < 0.1
    assert known.gain <= fit.gain


def test_slight_elongation_is_told_from_none():
    """The hint gains little for a star at rest, and finds the direction of a short trail."""
    for trail, low, high in (((0.0, 0.0), 0.0, 12.0), ((2.0, 2.0), 20.0, 1e9)):
        image, weight, rest = _drawn(30.2, 25.4, 1500.0, trail=trail)
        point = fit_star(image, weight, rest, (30.0, 25.0))
        gain, along_x, along_y = elongation_hint(image, weight, rest, point)
        assert low <= gain < high
    assert abs(np.degrees(np.arctan2(along_y, along_x)) % 180 - 45) < 10
