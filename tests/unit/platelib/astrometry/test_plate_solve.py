"""Fields among the real stars of Tycho-2, with stars that the catalogue does not have."""

import numpy as np
import pytest

from platefiles.astrometry.star_catalogue import read_tycho
from platelib.astrometry.catalogue_stars import CatalogueStars
from platelib.astrometry.celestial import from_tangent_plane
from platelib.astrometry.plate_solve import LOG_THRESHOLD, FieldStars, Hint, Placer
from platelib.astrometry.tan_sip import SkyMap
from platelib.numerics.neighbours import mutual_pairs

SHAPE = (1040, 1440)
SCALE = 2.32


def _true_map(ra, dec, turn_deg, mirrored, bend=0.0):
    step, turn = SCALE / 3600, np.deg2rad(turn_deg)
    east = 1.0 if mirrored else -1.0
    cd = (east * step * np.cos(turn), step * np.sin(turn))
    cd += (-east * step * np.sin(turn), step * np.cos(turn))
    if not bend:
        return SkyMap(ra, dec, 719.5, 519.5, cd)
    k = bend / 888**3  # px in the corners
    a, b = np.zeros((2, 10))
    a[[6, 8]], b[[7, 9]] = k, k
    return SkyMap(ra, dec, 719.5, 519.5, cd, 3, a, b)


def _field(sky_map, rng, invented=300):
    """Stars of the catalogue in the field and invented ones, most of them fainter."""
    stars = read_tycho(sky_map.ra, sky_map.dec, 1.0, 2026.2)
    x, y = sky_map.pixels(stars.ra, stars.dec)
    inside = (x > 5) & (x < SHAPE[1] - 6) & (y > 5) & (y < SHAPE[0] - 6)
    xy = np.stack([x, y], axis=1)[inside]
    magnitude = stars.brightness[inside] + rng.normal(0, 0.1, len(xy))
    more = 18.5 - rng.exponential(1.2, invented)
    xy = np.concatenate([xy, rng.uniform(0, 1, (invented, 2)) * SHAPE[::-1]])
    order = np.argsort(np.concatenate([magnitude, more]))
    return FieldStars(xy[order] + rng.normal(0, 0.03, xy.shape), np.full(len(xy), 0.03))


def _hint(sky_map, rng, scale_error, pointing_deg):
    way = rng.uniform(0, 2 * np.pi)
    off = pointing_deg * np.cos(way), pointing_deg * np.sin(way)
    ra, dec = (float(v) for v in from_tangent_plane(*off, sky_map.ra, sky_map.dec))
    return Hint(ra, dec, 1.2, SCALE * scale_error, 0.2)


def _placer(hint):
    placer = Placer(read_tycho(hint.ra, hint.dec, 2.0, 2026.2), hint, SHAPE)
    stars = read_tycho(hint.ra, hint.dec, placer.radius_deg, 2026.2)
    return Placer(stars, hint, SHAPE)


def _error_px(found, true):
    y, x = (p.ravel() for p in np.mgrid[0 : SHAPE[0] - 1 : 9j, 0 : SHAPE[1] - 1 : 9j])
    px, py = found.pixels(*true.sky(x, y))
    return np.sqrt(np.mean((px - x) ** 2 + (py - y) ** 2))


@pytest.mark.parametrize("number", range(24))
def test_wrong_hints_do_not_mislead(number):
    """Scale off by 12 % either way, pointing by 0.8 degree, any turn, mirrored or not: placed."""
    rng = np.random.default_rng(100 + number)
    ra, dec = (158.6, 30.0) if number < 12 else (15.0 * number, 5.0 * (number - 18))
    true = _true_map(ra, dec, 15.0 * number + 7, number % 2 == 1)
    hint = _hint(true, rng, 1.12 if number % 4 < 2 else 0.88, 0.8)
    placed = _placer(hint).place(_field(true, rng))
    assert placed is not None
    assert placed.is_certain
    assert placed.sky_map.is_mirrored == (number % 2 == 1)
    assert placed.sky_map.degree == 1
    assert _error_px(placed.sky_map, true) < 0.05


def test_a_lens_that_bends_needs_powers():
    """Barrel distortion of 6 px in the corners is followed by a cubic within 0.15 px."""
    rng = np.random.default_rng(9)
    true = _true_map(292.0, 12.0, 40.0, False, bend=6.0)  # in the Milky Way: 100 stars
    placed = _placer(_hint(true, rng, 1.05, 0.5)).place(_field(true, rng))
    assert placed is not None
    assert placed.is_certain
    assert placed.sky_map.degree == 3
    assert _error_px(placed.sky_map, true) < 0.15


def test_noise_is_refused_200_times_of_200():
    """Fields of random stars are certain nowhere, by a wide margin."""
    rng = np.random.default_rng(12)
    placer = _placer(Hint(158.6, 30.0, 1.2, SCALE, 0.2))
    lowest = 0.0
    for _ in range(200):
        count = int(rng.integers(8, 300))
        xy = rng.uniform(0, 1, (count, 2)) * SHAPE[::-1]
        placed = placer.place(FieldStars(xy, np.full(count, 0.03)))
        if placed is not None:
            assert not placed.is_certain
            lowest = min(lowest, placed.log_false_alarm)
    assert lowest > LOG_THRESHOLD / 2


def test_another_field_is_refused():
    """Real stars of another part of the sky are certain nowhere."""
    rng = np.random.default_rng(13)
    placer = _placer(Hint(158.6, 30.0, 1.2, SCALE, 0.2))
    for number in range(4):
        placed = placer.place(_field(_true_map(40.0 * number, 10.0, 0.0, False), rng))
        assert placed is None or not placed.is_certain


def test_too_few_stars_of_the_catalogue_are_refused():
    """A field with 4 stars of the catalogue among its own is not placed, right or wrong."""
    rng = np.random.default_rng(14)
    true = _true_map(158.6, 30.0, 10.0, False)
    stars = read_tycho(158.6, 30.0, 0.2, 2026.2)
    few: CatalogueStars = stars.chosen(np.arange(4))
    hint = _hint(true, rng, 1.0, 0.1)
    placed = Placer(few, hint, SHAPE).place(_field(true, rng))
    assert placed is None or not placed.is_certain


def test_pairs_are_mutual():
    """Of two points near one, the nearer is its partner, and the other has none."""
    one = np.array([[0.0, 0.0], [10.0, 0.0], [50.0, 0.0]])
    other = np.array([[0.4, 0.0], [-0.3, 0.0], [11.0, 0.0]])
    i, j = mutual_pairs(one, other, 2.0)
    assert (i.tolist(), j.tolist()) == ([0, 1], [1, 2])
