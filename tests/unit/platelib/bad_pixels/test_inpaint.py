import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from platelib.bad_pixels.inpaint import inpaint_cores, inpaint_gaps, membrane


def _ramp():
    y, x = np.mgrid[:30, :40].astype(np.float32)
    return np.stack([x + y, 2 * x, y])


def test_a_small_gap_is_filled_from_its_rim():
    """A gap in a smooth picture is filled to within the slope of its surroundings."""
    planes = _ramp()
    truth = planes.copy()
    planes[1, 10:15, 12:17] = np.nan
    interpolated, count = inpaint_gaps(planes)
    assert count == 25
    np.testing.assert_allclose(interpolated, truth, atol=4)
    assert np.isfinite(interpolated).all()


def test_a_flat_gap_is_filled_exactly():
    """In a constant picture the gap takes the constant, in every plane."""
    planes = np.full((3, 20, 25), 7, np.float32)
    planes[0, 5:9, 5:9] = np.nan
    interpolated, _ = inpaint_gaps(planes)
    np.testing.assert_allclose(interpolated, 7, rtol=1e-6)


def test_gaps_at_the_edge_and_large_ones_stay():
    """A gap that touches the edge, or is too large, is left."""
    planes = _ramp()
    planes[:, 0:3, 10:12] = np.nan
    planes[:, 10:25, 10:25] = np.nan
    interpolated, count = inpaint_gaps(planes, largest_px=100)
    assert count == 0
    np.testing.assert_array_equal(interpolated, planes)


def test_the_input_is_not_touched():
    """The planes that came in keep their gaps."""
    planes = _ramp()
    planes[2, 8, 8] = np.nan
    inpaint_gaps(planes)
    assert np.isnan(planes[2, 8, 8])


def _star(shape=(90, 110), radius=16.0):
    """Three planes of one star of its own colours; its saturated core has no data."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    distance = np.hypot(x - 52.3, y - 41.8)
    light = (1000 / (1 + (distance / 6) ** 2) ** 2).astype(np.float32)
    planes = np.stack([light, 0.6 * light, 0.3 * light])
    core = distance < radius
    planes[:, core] = np.nan
    return planes, core, distance


def test_large_cores_are_filled_where_their_rim_is_bright():
    """A core of 800 pixels is filled between the values of its rim; a dark hole stays."""
    planes, core, distance = _star()
    assert core.sum() > 800
    planes[:, 5:30, 80:105] = np.nan
    planes[2, 10, 10] = np.nan
    interpolated, count = inpaint_gaps(planes, core_levels=lambda: np.array([2.0, 2.0, 2.0]))
    assert count == core.sum() + 1
    assert np.isnan(interpolated[:, 5:30, 80:105]).all()
    rim = (distance >= 16) & (distance < 17.5)
    for plane in interpolated:
        inside, around = plane[core], plane[rim]
        assert around.min() - 1e-3 <= inside.min()
        assert inside.max() <= around.max() + 1e-3
    np.testing.assert_allclose(interpolated[1][core] / interpolated[0][core], 0.6, rtol=1e-5)


def test_levels_are_asked_for_only_where_a_gap_is_large():
    """Nothing measures the sky where all gaps are small."""
    planes = _ramp()
    planes[1, 10:15, 12:17] = np.nan
    _, count = inpaint_gaps(planes, core_levels=lambda: pytest.fail("asked for"))
    assert count == 25


def test_cores_at_the_edge_are_filled():
    """What is known to be a core is filled at the edge of the picture as well; others stay."""
    planes = np.full((1, 60, 70), 5, dtype=np.float32)
    cores = np.zeros((60, 70), dtype=bool)
    cores[:30, 20:50] = cores[40:42, 3:5] = True
    planes[0, cores] = np.nan
    planes[0, 50:, 60:] = np.nan
    inpaint_cores(planes, cores)
    np.testing.assert_allclose(planes[0, cores], 5, rtol=1e-6)
    assert np.isnan(planes[0, 50:, 60:]).all()


def test_a_core_without_surroundings_stays():
    """Where nothing is known there is nothing to fill from."""
    planes = np.full((1, 30, 40), np.nan, dtype=np.float32)
    inpaint_cores(planes, np.ones((30, 40), dtype=bool))
    assert np.isnan(planes).all()


def test_a_membrane_is_near_the_harmonic_function():
    """Over a disc a membrane is the harmonic polynomial of its rim, to 4 % of the range."""
    y, x = np.mgrid[:120, :140].astype(np.float64)
    u, v = (x - 70) / 60, (y - 60) / 60
    truth = np.stack([u, u * u - v * v, u * v])
    known = np.hypot(u, v) > 0.8
    found = membrane(np.where(known, truth, 0), known)
    error = np.abs(found - truth)[:, ~known].max(axis=1)
    assert (error < 0.04 * np.ptp(truth[:, ~known], axis=1)).all()
    np.testing.assert_array_equal(found[:, known], truth[:, known])


def test_a_turned_gap_gets_a_turned_filling():
    """No direction is preferred: a disc turned by 30 degrees is filled alike within 1 %."""
    rng = np.random.default_rng(2)
    angles = rng.uniform(0, 2 * np.pi, 3)
    y, x = np.mgrid[:101, :121].astype(np.float64)
    u, v = x - 60, y - 50

    def scene(turn):
        a = u * np.cos(turn) + v * np.sin(turn)
        b = v * np.cos(turn) - u * np.sin(turn)
        return sum(np.sin(a / 25 * np.cos(k) + b / 25 * np.sin(k)) for k in angles)

    known = np.hypot(u, v) > 30
    straight, turned = (membrane(scene(t)[None], known)[0] for t in (0.0, np.pi / 6))
    c, s = np.cos(np.pi / 6), np.sin(np.pi / 6)
    places = np.stack([50 + v * c + u * s, 60 + u * c - v * s])
    back = map_coordinates(turned, places, order=1)
    inner = np.hypot(u, v) < 25
    assert np.abs(back - straight)[inner].max() < 0.03
