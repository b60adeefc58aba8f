import numpy as np
import pytest

from platefiles.subs.measured_wcs import WORLD_VALUES, world_map, world_row
from platelib.astrometry.tan_sip import SkyMap

CD = (-3e-4, 1e-5, 1.2e-5, 3.1e-4)


@pytest.mark.parametrize("degree", [1, 3, 5])
def test_world_coordinates_survive_a_row(degree):
    """Every number of a map comes back exactly, for any degree of its polynomials."""
    terms = max(3, (degree + 1) * (degree + 2) // 2)
    a, b = np.random.default_rng(degree).normal(0, 1e-6, (2, terms))
    a[:3] = b[:3] = 0
    known = SkyMap(10.684, 41.269, 300.5, 200.5, CD, degree, a, b)
    row = world_row(known)
    assert row.shape == (WORLD_VALUES,)
    x, y = np.array([0.0, 599.0]), np.array([399.0, 17.0])
    np.testing.assert_array_equal(world_map(row).sky(x, y), known.sky(x, y))


def test_no_world_coordinates_are_nan():
    """A frame without world coordinates has a row of NaN, and none come back."""
    assert np.isnan(world_row(None)).all()
    assert world_map(world_row(None)) is None
