import numpy as np
import pytest

from platelib.moments import (
    FWHM_PER_SIGMA,
    _weighted_sums,
    is_extended,
    measure_fluxes,
    measure_shapes,
)


def _gaussian(shape, x, y, major, minor, angle):
    v, u = np.indices(shape)
    along = (u - x) * np.cos(angle) + (v - y) * np.sin(angle)
    across = (v - y) * np.cos(angle) - (u - x) * np.sin(angle)
    return np.exp(-0.5 * ((along / major) ** 2 + (across / minor) ** 2))


def test_sums_equal_those_of_the_whole_window():
    """Sums by rows under a product of two windows are those under the window in two dimensions."""
    box = np.random.default_rng(1).normal(50, 9, (15, 15)).astype(np.float32)
    dy, dx = np.indices(box.shape) - 7.0
    dx, dy = dx - 0.3, dy + 0.7
    light = np.exp(-0.5 * (dx**2 + dy**2) / 1.9**2) * (box.astype(np.float64) - 40)
    powers = (1, dx, dy, dx**2, dy**2, dx * dy)
    expected = [(light * power).sum() for power in powers]
    np.testing.assert_allclose(_weighted_sums(box, 40.0, 0.3, -0.7, 1.9), expected, rtol=1e-10)


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 90.0, 120.0])
def test_shape_of_a_gaussian_is_found(angle_deg):
    """Centre, width, ellipticity and direction of a Gaussian are recovered from the window."""
    angle = np.radians(angle_deg)
    image = (10 + 500 * _gaussian((41, 47), 20.3, 18.6, 2.2, 1.6, angle)).astype(np.float32)
    level = np.full((2, 2), 10, dtype=np.float32)
    mask = np.zeros(image.shape, dtype=np.uint8)
    shapes = np.empty((1, 6))
    assert measure_shapes(image, mask, level, np.array([[19, 20]], dtype=np.int32), shapes) == 1
    x, y, fwhm, ellipticity, flags, direction = shapes[0]
    assert (x, y) == pytest.approx((20.3, 18.6), abs=2e-3)
    assert fwhm == pytest.approx(FWHM_PER_SIGMA * np.sqrt(2.2 * 1.6), rel=0.01)
    assert ellipticity == pytest.approx(1 - 1.6 / 2.2, abs=0.01)
    assert np.cos(2 * (direction - angle)) == pytest.approx(1, abs=1e-3)
    assert flags == 0


def test_fluxes_equal_the_slow_sum():
    """Fluxes, their errors and peaks are those of numpy over the whole image, also at its edge."""
    rng = np.random.default_rng(2)
    image = rng.normal(100, 10, (60, 71)).astype(np.float32)
    variance = rng.uniform(50, 150, image.shape).astype(np.float32)
    x, y = np.array([30.2, 2.0, 68.7]), np.array([25.9, 31.4, 58.1])
    fluxes = np.empty((3, 3))
    measure_fluxes(image, variance, np.full((1, 1), 90, dtype=np.float32), x, y, 5.3, fluxes)
    v, u = np.indices(image.shape)
    for star in range(3):
        distance = np.hypot(u - x[star], v - y[star])
        share = np.clip(5.3 + 0.5 - distance, 0, 1)
        flux = (share * (image - 90.0)).sum()
        error = np.sqrt((share**2 * variance).sum())
        peak = image[round(y[star]), round(x[star])] - 90
        np.testing.assert_allclose(fluxes[star], [flux, error, peak], rtol=1e-6)


@pytest.mark.parametrize(("fwhm", "extended"), [(0.5, False), (2.0, True), (4.0, True)])
def test_a_single_pixel_is_not_extended(fwhm, extended):
    """Light in one pixel is no star, light over several is."""
    sigma = fwhm / FWHM_PER_SIGMA
    image = (100 * _gaussian((9, 9), 4, 4, sigma, sigma, 0.0)).astype(np.float32)
    assert is_extended(image, 4, 4, 0.0, 2.0) is extended
