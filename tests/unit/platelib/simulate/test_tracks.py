import numpy as np
import pytest

from platelib.simulate.tracks import SatelliteSpec, cosmic_rays, trail_distance


def test_tracks_are_short_and_carry_charge() -> None:
    """Tracks cover a few pixels each and hold some hundred to some ten thousand electrons."""
    rays = cosmic_rays(200, 1500, 1000, np.random.default_rng(1))
    assert 200 * 2 < rays.x.size < 200 * 10
    assert 400 < rays.electrons.sum() / 200 < 8000
    assert rays.electrons.max() > 1000
    assert rays.x.max() < 1500
    assert rays.y.max() < 1000


def test_each_pixel_is_listed_once_in_order() -> None:
    """The list of pixels is sorted by row and column without doubles."""
    rays = cosmic_rays(500, 60, 40, np.random.default_rng(2))
    assert np.all(np.diff(rays.y * 60 + rays.x) > 0)


def test_no_particles_no_pixels() -> None:
    """A frame without particles has an empty list."""
    assert cosmic_rays(0, 60, 40, np.random.default_rng(2)).x.size == 0


def test_distance_from_a_trail() -> None:
    """The distance is measured at right angles to the trail."""
    distance = trail_distance(SatelliteSpec(10.0, 5.0, 45.0), 30, 20)
    assert distance[5, 10] == pytest.approx(0.0)
    assert distance[5, 14] == pytest.approx(-4 / np.sqrt(2), rel=1e-6)
    assert distance[8, 13] == pytest.approx(0.0, abs=1e-6)
