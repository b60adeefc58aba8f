import numpy as np
import pytest

from platelib.astrometry.coordinate_mesh import fitted_mesh
from platelib.astrometry.tan_sip import SkyMap

SHAPE = (301, 517)


def _between(scale_arcsec, distortion=0.0):
    """Return places from one tangent plane to another one, turned, finer and distorted."""
    step = scale_arcsec / 3600
    one = SkyMap(158.6, 60.0, 250.0, 150.0, (-step, 0.0, 0.0, step))
    turned = (-0.5 * step, 0.4 * step, 0.4 * step, 0.5 * step)
    bent = np.array([0, 0, 0, distortion, 0, -distortion])
    other = SkyMap(159.2, 60.4, 100.0, 90.0, turned, 2, bent, bent[::-1])

    def places(x, y):
        return other.pixels(*one.sky(x, y))

    return places


def _exact(places):
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    return np.stack(places(columns.ravel(), rows.ravel())).reshape(2, *SHAPE)


@pytest.mark.parametrize("scale_arcsec", [1.0, 40.0, 300.0])
@pytest.mark.parametrize("tolerance_px", [0.02, 0.001])
def test_positions_are_within_the_tolerance(scale_arcsec, tolerance_px):
    """Every pixel is where the coordinates have it, and the error told is not exceeded."""
    places = _between(scale_arcsec, 2e-6)
    mesh = fitted_mesh(places, SHAPE, tolerance_px)
    found = np.concatenate([mesh.rows(y, min(y + 37, SHAPE[0])) for y in range(0, 301, 37)], axis=1)
    off = np.hypot(*(found - _exact(places)))
    assert off.max() < mesh.error_px + 1e-9
    assert mesh.error_px <= tolerance_px


def test_a_smooth_map_has_a_coarse_mesh():
    """Few positions are computed: less than one for a thousand pixels."""
    count = 0

    def places(x, y):
        nonlocal count
        count += x.size
        return _between(1.0)(x, y)

    mesh = fitted_mesh(places, SHAPE, 0.02)
    mesh.rows(0, SHAPE[0])
    assert mesh.pitch_px >= 64
    assert count < SHAPE[0] * SHAPE[1] / 1000


def test_the_edge_of_a_map_is_exact():
    """Where positions end or jump, pixels have their own, not those between two nodes."""

    def places(x, y):
        inside = np.hypot(x - 200, y - 100) < 150
        return np.where(inside, np.where(x < 250, x + 3, x + 1003), np.nan), y - 2

    found = fitted_mesh(places, SHAPE, 0.02).rows(0, SHAPE[0])
    exact = _exact(places)
    np.testing.assert_array_equal(np.isnan(found), np.isnan(exact))
    np.testing.assert_allclose(found, exact, atol=0.02)


@pytest.mark.parametrize("shape", [(1, 1), (1, 700), (3, 2)])
def test_images_of_few_pixels_have_a_mesh(shape):
    """A row, a column and a pixel are images as well."""
    mesh = fitted_mesh(lambda x, y: (2 * x + 1, y - 3), shape, 0.02)
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    np.testing.assert_allclose(mesh.rows(0, shape[0]), [2 * columns + 1, rows - 3], atol=1e-9)
