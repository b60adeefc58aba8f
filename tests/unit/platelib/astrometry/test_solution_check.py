"""Headers that are right, a little off and wrong, over fields with as many stars as Tycho-2 has."""

import numpy as np
import pytest

from platefiles.astrometry.star_catalogue import read_tycho
from platelib.astrometry.catalogue_stars import CatalogueStars
from platelib.astrometry.celestial import from_tangent_plane
from platelib.astrometry.plate_solve import FieldStars
from platelib.astrometry.solution_check import agreement, shifted
from platelib.astrometry.tan_sip import SkyMap

SHAPE = (900, 1300)


def _sky_map(rng, scale):
    """A map that points anywhere on the sky, turned anyhow, mirrored or not."""
    ra, dec = rng.uniform(0, 360), np.rad2deg(np.arcsin(rng.uniform(-1, 1)))
    return _pointed(ra, dec, rng.uniform(0, 2 * np.pi), rng.choice([-1.0, 1.0]), scale)


def _pointed(ra, dec, turn, east, scale):
    step = scale / 3600
    cd = (east * step * np.cos(turn), step * np.sin(turn))
    cd += (-east * step * np.sin(turn), step * np.cos(turn))
    return SkyMap(float(ra), float(dec), 649.5, 449.5, cd)


def _sky(sky_map, rng):
    """Stars about the field, 24 to 119 a square degree as in Tycho-2, brightest first."""
    radius = 1.1 * np.hypot(*SHAPE) * sky_map.scale_arcsec / 3600
    count = rng.poisson(np.pi * radius**2 * rng.uniform(24, 119))
    away, way = radius * np.sqrt(rng.random(count)), rng.uniform(0, 2 * np.pi, count)
    ra, dec = from_tangent_plane(away * np.cos(way), away * np.sin(way), sky_map.ra, sky_map.dec)
    names = np.arange(count).astype(str)
    return CatalogueStars("sky", names, ra, dec, {"V": np.sort(rng.uniform(6, 12, count))})


def _tycho(sky_map):
    radius = 1.1 * np.hypot(*SHAPE) * sky_map.scale_arcsec / 3600
    return read_tycho(sky_map.ra, sky_map.dec, radius, 2020.0)


def _field(sky_map, stars, rng, faint=400, lost=0.1, blooming=0.3):
    """Bright stars where the catalogue has them, some of them lost or bloomed, and faint ones.

    Blooming shifts the centre of a saturated star by some pixels along columns.
    """
    x, y = sky_map.pixels(stars.ra, stars.dec)
    inside = (x > 0) & (x < SHAPE[1] - 1) & (y > 0) & (y < SHAPE[0] - 1)
    xy = np.stack([x, y], axis=1)[inside] + rng.normal(0, 0.1, (inside.sum(), 2))
    xy[:, 1] += np.where(rng.random(len(xy)) < blooming, rng.uniform(-5, 5, len(xy)), 0)
    xy = xy[rng.random(len(xy)) > lost]
    xy = np.concatenate([xy, rng.uniform(0, 1, (faint, 2)) * SHAPE[::-1]])
    return FieldStars(xy, np.full(len(xy), 0.1))


def test_right_headers_are_not_contradicted_by_stars_that_are_lost_or_bloomed():
    """Of 400 fields from 10 arc minutes to 1.7 degrees none contradicts its own header."""
    rng = np.random.default_rng(21)
    few = 0
    for number in range(400):
        true = _sky_map(rng, (0.5, 1.2, 4.0)[number % 3])
        stars = _sky(true, rng)
        agreed = agreement(true, _field(true, stars, rng), stars, SHAPE)
        assert not agreed.is_contradicted, (number, agreed)
        few += 0 < agreed.matched < 6
    assert few > 80


@pytest.mark.parametrize("faint", [400, 4000])
def test_wrong_headers_are_contradicted_where_the_catalogue_has_stars_to_say_so(faint):
    """Of 200 fields with five bright stars or more, 192 at least contradict a wrong header.

    So too with many faint stars, among which chance finds partners.
    """
    rng = np.random.default_rng(22)
    contradicted = told = 0
    while told < 200:
        true, header = _sky_map(rng, 3.0), _sky_map(rng, 3.0)
        field = _field(true, _sky(true, rng), rng, faint)
        agreed = agreement(header, field, _sky(header, rng), SHAPE)
        if agreed.expected < 5:
            continue
        told += 1
        contradicted += agreed.is_contradicted
    assert contradicted >= 192


def test_five_stars_within_a_pixel_speak_for_a_header():
    """Five of eight bright stars within a pixel are evidence for the header, not against it."""
    rng = np.random.default_rng(23)
    true = _pointed(158.6, 30.0, 0.3, -1.0, 3.0)
    stars = _sky(true, rng)
    x, y = true.pixels(stars.ra, stars.dec)
    inside = (x > 15) & (x < SHAPE[1] - 16) & (y > 15) & (y < SHAPE[0] - 16)
    stars = stars.chosen(np.flatnonzero(inside)[:8])
    places = np.stack(true.pixels(stars.ra, stars.dec), axis=1)[:5]
    faint = rng.uniform(0, 1, (400, 2)) * SHAPE[::-1]
    xy = np.concatenate([places + rng.normal(0, 0.3, places.shape), faint])
    agreed = agreement(true, FieldStars(xy, np.full(len(xy), 0.1)), stars, SHAPE)
    assert (agreed.expected, agreed.matched) == (8, 5)
    assert agreed.miss_px < 1
    assert agreed.log_odds > 5


def test_dark_corners_count_neither_way():
    """Catalogue stars outside of the circle that the optics light are not missed."""
    rng = np.random.default_rng(24)
    true = _pointed(290.0, 20.0, 1.0, 1.0, 4.0)
    stars = _sky(true, rng)
    whole = _field(true, stars, rng, 2000, lost=0.0, blooming=0.0)
    lit = np.hypot(whole.xy[:, 0] - 649.5, whole.xy[:, 1] - 449.5) < 400
    dark = FieldStars(whole.xy[lit], whole.error_px[lit])
    agreed = agreement(true, dark, stars, SHAPE)
    assert 10 < agreed.expected < 0.7 * agreement(true, whole, stars, SHAPE).expected
    assert agreed.matched > 0.8 * agreed.expected


def _pointed_wrongly(number, rng):
    """Where a field is, and what a mount says that misses by up to 11 arc minutes."""
    ra, dec, turn = 30.0 * number, -75.0 + 13 * number, rng.uniform(0, 6.28)
    wrong = from_tangent_plane(*rng.uniform(-0.13, 0.13, 2), ra, dec)
    true = _pointed(ra, dec, turn, -1.0, 1.4)
    return true, _pointed(*wrong, turn + rng.normal(0, 0.001), -1.0, 1.4)


@pytest.mark.parametrize("number", range(12))
def test_header_of_a_mount_is_shifted_to_where_its_stars_are(number):
    """Up to half of the field off, at any declination, six stars settle the place within 1.5 px.

    The turn that the header gives is off by a pixel in the corners.
    """
    rng = np.random.default_rng(300 + number)
    true, header = _pointed_wrongly(number, rng)
    stars = _sky(true, rng)
    field = _field(true, stars, rng, 150, lost=0.0, blooming=0.0)
    x, y = true.pixels(stars.ra, stars.dec)
    shown = int(((x > 0) & (x < SHAPE[1] - 1) & (y > 0) & (y < SHAPE[0] - 1)).sum())
    found = shifted(header, field, stars, SHAPE, 790.0)
    assert found is not None or shown < 6
    if found is not None:
        x, y = found.sky_map.pixels(true.ra, true.dec)
        assert np.hypot(x - 649.5, y - 449.5) < 1.5
        assert found.log_false_alarm <= -9


def test_real_stars_settle_a_shift_too():
    """In the Milky Way of Cygnus, with stars of Tycho-2, a header half a field off is put right."""
    rng = np.random.default_rng(26)
    true = _pointed(305.0, 40.0, 1.1, 1.0, 1.4)
    field = _field(true, _tycho(true), rng, 300)
    header = _pointed(*from_tangent_plane(0.1, -0.12, 305.0, 40.0), 1.1, 1.0, 1.4)
    found = shifted(header, field, _tycho(header), SHAPE, 790.0)
    assert found is not None
    x, y = found.sky_map.pixels(305.0, 40.0)
    assert np.hypot(x - 649.5, y - 449.5) < 1.5


def test_no_shift_is_found_among_stars_of_another_field():
    """In 120 fields that are somewhere else no shift is beyond chance."""
    rng = np.random.default_rng(25)
    for number in range(120):
        true, header = _sky_map(rng, 2.0), _sky_map(rng, 2.0)
        field = _field(true, _sky(true, rng), rng, (20, 300)[number % 2])
        assert shifted(header, field, _sky(header, rng), SHAPE, 700.0) is None
