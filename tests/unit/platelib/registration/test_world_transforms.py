import numpy as np
import pytest
from astropy.wcs import WCS

from platelib.astrometry.tan_sip import SkyMap
from platelib.registration.match import GridStars
from platelib.registration.world_transforms import (
    Lists,
    WorldDisagrees,
    checked_by_stars,
    world_transform,
)

SHAPE = (500, 700)
SCALE = 2.0 / 3600


def _map(dx=0.0, dy=0.0, angle_deg=0.0, scale=1.0):
    """World coordinates whose centre lies so far from that of the frame, turned and scaled."""
    cos, sin = (SCALE * scale * f(np.radians(angle_deg)) for f in (np.cos, np.sin))
    return SkyMap(150.1, 2.2, 349.5 + dx, 249.5 + dy, (-cos, sin, sin, cos))


def _stars(seed, count, transform, noise=0.1):
    rng = np.random.default_rng(seed)
    grid = rng.uniform(0, 1, (count, 2)) * [699, 499]
    raw = np.stack(transform(*grid.T), axis=1) + rng.normal(0, noise, grid.shape)
    return Lists(grid, raw), GridStars(grid, np.ones(count), SHAPE, 3)


def test_the_transform_is_that_of_astropy():
    """Grid pixels lead to the raw pixels that astropy's WCS finds, within 0.005 px."""
    grid, sub = _map(), _map(12.3, -8.1, 181.0, 0.97)
    transform = world_transform(grid, sub, SHAPE, 3)
    x, y = (p.ravel() for p in np.mgrid[0:699:9j, 0:499:7j])
    expected = _wcs(sub).all_world2pix(*_wcs(grid).all_pix2world(x, y, 0), 0)
    np.testing.assert_allclose(transform(x, y), expected, atol=0.005)


def _wcs(sky_map):
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval, wcs.wcs.crpix = (
        [sky_map.ra, sky_map.dec],
        [sky_map.x + 1, sky_map.y + 1],
    )
    wcs.wcs.cd = np.reshape(sky_map.cd, (2, 2))
    return wcs


@pytest.mark.parametrize("count", [5, 30, 400])
def test_stars_confirm_right_coordinates(count):
    """Even five stars confirm right coordinates; the transform stays that of the header."""
    transform = world_transform(_map(), _map(5.5, 3.25), SHAPE, 3)
    lists, grid = _stars(1, count, transform)
    match = checked_by_stars(transform, grid, lists)
    assert match.transform is transform
    assert len(match.grid_index) >= 0.9 * count
    assert 0.03 < match.rms_px < 0.2


@pytest.mark.parametrize(
    "wrong",
    [_map(6.5, 3.25), _map(5.5, 3.25, 0.2), _map(5.5, 3.25, 0.0, 1.002), _map(80.0, -40.0)],
    ids=["off by 1 px", "turned by 0.2 deg", "scaled by 0.2 %", "elsewhere"],
)
def test_stars_speak_against_wrong_coordinates(wrong):
    """Coordinates off by a pixel, turned, scaled or of another field are refused."""
    truth = world_transform(_map(), _map(5.5, 3.25), SHAPE, 3)
    lists, grid = _stars(2, 60, truth)
    with pytest.raises(WorldDisagrees, match="off by|not confirmed"):
        checked_by_stars(world_transform(_map(), wrong, SHAPE, 3), grid, lists)


def test_unrelated_stars_confirm_nothing():
    """Stars that have nothing to do with the grid confirm no coordinates, 30 of 30."""
    transform = world_transform(_map(), _map(5.5, 3.25), SHAPE, 3)
    for seed in range(30):
        lists, grid = _stars(seed, 150, transform)
        other, _ = _stars(seed + 100, 150, transform)
        with pytest.raises(WorldDisagrees, match="off by|not confirmed"):
            checked_by_stars(transform, grid, Lists(lists.grid_xy, other.raw_xy))


def test_coordinates_of_another_part_of_the_sky_are_refused():
    """Coordinates that do not reach over the grid have no transform."""
    far = SkyMap(330.0, -2.0, 349.5, 249.5, (-SCALE, 0.0, 0.0, SCALE))
    with pytest.raises(WorldDisagrees, match="do not reach over the grid"):
        world_transform(_map(), far, SHAPE, 3)


def test_bent_coordinates_want_a_degree():
    """Coordinates that bend more than the degree allows name the key."""
    bend = np.zeros(10)
    bend[6] = 4e-8
    bent = SkyMap(150.1, 2.2, 349.5, 249.5, (-SCALE, 0, 0, SCALE), 3, bend, np.zeros(10))
    with pytest.raises(WorldDisagrees, match="registration.max_degree"):
        world_transform(_map(), bent, SHAPE, 1)
    assert world_transform(_map(), bent, SHAPE, 3).degree == 3
