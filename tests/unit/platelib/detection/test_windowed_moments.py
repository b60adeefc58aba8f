import numpy as np
import pytest

from platelib.detection.windowed_moments import (
    BOX,
    WINDOW,
    WORK,
    _weighted_sums,
    is_extended,
    measure_fluxes,
    star_shape,
)
from platelib.numerics.constants import FWHM_PER_SIGMA


def _gaussian(shape, x, y, major, minor, angle):
    v, u = np.indices(shape)
    along = (u - x) * np.cos(angle) + (v - y) * np.sin(angle)
    across = (v - y) * np.cos(angle) - (u - x) * np.sin(angle)
    return np.exp(-0.5 * ((along / major) ** 2 + (across / minor) ** 2))


def test_sums_equal_those_of_the_whole_window():
    """Sums by rows under a product of two windows are those under the window in two dimensions."""
    box = np.random.default_rng(1).normal(10, 9, BOX)
    dy, dx = np.indices((BOX[0], BOX[0])) - float(WINDOW)
    dx, dy = dx - 0.3, dy + 0.7
    light = np.exp(-0.5 * (dx**2 + dy**2) / 1.9**2) * box[:, : BOX[0]]
    powers = (1, dx, dy, dx**2, dy**2, dx * dy)
    expected = [(light * power).sum() for power in powers]
    sums = _weighted_sums(box, 0.3, -0.7, 1.9, np.empty(WORK))
    np.testing.assert_allclose(sums, expected, rtol=1e-10)


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 90.0, 120.0])
def test_shape_of_a_gaussian_is_found(angle_deg):
    """Centre, width, ellipticity and direction of a Gaussian are recovered from the window."""
    angle = np.radians(angle_deg)
    box = 500 * _gaussian(BOX, WINDOW + 0.3, WINDOW - 0.4, 2.2, 1.6, angle)
    x, y, fwhm, ellipticity, direction, light, ok = star_shape(box, np.empty(WORK))
    assert ok
    assert (x, y) == pytest.approx((0.3, -0.4), abs=2e-3)
    assert fwhm == pytest.approx(FWHM_PER_SIGMA * np.sqrt(2.2 * 1.6), rel=0.01)
    assert ellipticity == pytest.approx(1 - 1.6 / 2.2, abs=0.01)
    assert np.cos(2 * (direction - angle)) == pytest.approx(1, abs=1e-3)
    # A Gaussian under a window of its own width has half of its light.
    assert light == pytest.approx(0.5 * 500 * 2 * np.pi * 2.2 * 1.6, rel=0.03)


@pytest.mark.parametrize(
    "box",
    [
        500 * _gaussian(BOX, WINDOW, WINDOW, 4.0, 0.3, 0.6),
        500 * _gaussian(BOX, WINDOW + 3, WINDOW, 1.8, 1.8, 0.0),
        np.zeros(BOX),
    ],
    ids=["thin", "beside", "empty"],
)
def test_what_is_no_star_is_refused(box):
    """A thin track, light beside the peak and no light at all are not like a star."""
    assert not star_shape(box, np.empty(WORK))[-1]


def test_fluxes_equal_the_slow_sum():
    """Fluxes, their errors and peaks are those of numpy over the whole image, also at its edge."""
    rng = np.random.default_rng(2)
    image = rng.normal(100, 10, (60, 71)).astype(np.float32)
    x, y = np.array([30.2, 2.0, 68.7]), np.array([25.9, 31.4, 58.1])
    centres = np.array([[26, 30], [31, 2], [58, 69]], dtype=np.int32)
    # What lies outside of the image is not looked at.
    around = np.pad(image, 7, constant_values=np.nan)
    squares = np.stack([around[v : v + 15, u : u + 15] for v, u in centres])
    planes = tuple(np.full((1, 1), value, dtype=np.float32) for value in (90, 9, 0.7))
    fluxes = np.empty((3, 3))
    measure_fluxes(
        squares, centres, image.shape, planes, x, y, 5.3, np.empty(squares.shape[1]), fluxes
    )
    variance = 9**2 + np.float32(0.7) * np.maximum(image - 90.0, 0)
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
    assert is_extended(image[3], image[4], image[5], 4, 0.0, 2.0) is extended
