"""What becomes of a header's coordinates, by what stars and the project file say."""

import re
from dataclasses import replace

import numpy as np
import pytest

from platefiles.astrometry.header_wcs import HeaderMap
from platefiles.astrometry.plate_solve import Field, place_field
from platefiles.astrometry.pointing_hint import Location
from platelib.astrometry.catalogue_stars import CatalogueStars
from platelib.astrometry.plate_solve import FieldStars
from platelib.astrometry.tan_sip import SkyMap

SHAPE = (700, 900)
STEP = 1.5 / 3600
TRUE = SkyMap(50.0, 40.0, 449.5, 349.5, (-STEP, 0.0, 0.0, STEP))
UNKNOWN = Location(None, None, (), None, None, 0.0)
HINT = Location(50.1, 40.1, (1.52,), None, None, 0.0)


def _catalogue(count, rng, degrees=1.6):
    """Stars at equal density over a square, `count` of them in the field, brightest first."""
    inside = np.column_stack([rng.uniform(30, SHAPE[1] - 31, count), np.zeros(count)])
    inside[:, 1] = rng.uniform(30, SHAPE[0] - 31, count)
    share = (2 * degrees / STEP) ** 2 / (SHAPE[0] * SHAPE[1])
    around = rng.uniform(-degrees / STEP, degrees / STEP, (int(count * share), 2))
    near = (np.abs(around[:, 0]) < SHAPE[1] / 2) & (np.abs(around[:, 1]) < SHAPE[0] / 2)
    xy = np.concatenate([inside, around[~near] + np.array([449.5, 349.5])])
    xy = xy[rng.permutation(len(xy))]
    ra, dec = TRUE.sky(*xy.T)
    names = np.arange(len(ra)).astype(str)
    magnitude = np.linspace(7, 12, len(ra))
    return CatalogueStars("Tycho-2", names, ra, dec, {"VT": magnitude})


def _field(stars, rng, seen=None, faint=250):
    x, y = TRUE.pixels(stars.ra, stars.dec)
    inside = (x > 0) & (x < SHAPE[1] - 1) & (y > 0) & (y < SHAPE[0] - 1)
    xy = np.stack([x, y], axis=1)[inside][:seen]
    xy = xy + rng.normal(0, 0.2, xy.shape)
    xy = np.concatenate([xy, rng.uniform(0, 1, (faint, 2)) * SHAPE[::-1]])
    found = FieldStars(xy, np.full(len(xy), 0.2))
    return Field("light.fits", found, found, SHAPE, "Tycho-2")


def _off(degrees):
    return HeaderMap(replace(TRUE, dec=TRUE.dec + degrees), ())


def test_five_of_eight_stars_within_a_pixel_confirm_a_header():
    """The header's own map is the solution, and the note counts the stars."""
    rng = np.random.default_rng(1)
    stars = _catalogue(8, rng)
    outcome = place_field(_field(stars, rng, seen=5), UNKNOWN, HeaderMap(TRUE, ()), stars.within)
    assert (outcome.source, outcome.sky_map) == ("header", TRUE)
    assert re.fullmatch(
        r"5 of 8 bright stars of Tycho-2 agree with the header within 0\.\d px: .*", outcome.note
    )


@pytest.mark.parametrize("count", [0, 1])
def test_catalogue_without_stars_cannot_contradict(count):
    """With no star to check it, or one that is missing, the header is believed."""
    rng = np.random.default_rng(2)
    stars = _catalogue(1, rng).chosen(np.arange(count))
    outcome = place_field(_field(stars, rng, seen=0), UNKNOWN, HeaderMap(TRUE, ()), stars.within)
    assert (outcome.source, outcome.sky_map) == ("header", TRUE)


def test_refusal_says_that_coordinates_were_there_and_why_they_were_dropped():
    """Seven bright stars that are not where the header puts them, and too few to place by."""
    rng = np.random.default_rng(3)
    stars = _catalogue(7, rng)
    outcome = place_field(_field(stars, rng, seen=0), UNKNOWN, HeaderMap(TRUE, ()), stars.within)
    assert outcome.sky_map is None
    assert (
        "the header of light.fits has world coordinates (RA 50.0000, Dec +40.0000, "
        '1.5" a pixel), which were not used: 0 of 7 bright stars of Tycho-2 are at the '
        "predicted positions, expected about 6"
    ) in outcome.sentence


def test_few_stars_put_a_header_right_that_points_elsewhere():
    """Seven stars, too few for a pattern, shift a header that is 4 arc minutes off."""
    rng = np.random.default_rng(4)
    stars = _catalogue(7, rng)
    outcome = place_field(_field(stars, rng), UNKNOWN, _off(4 / 60), stars.within)
    assert outcome.source == "stars"
    assert outcome.note == "the header was off by 160 px; stars give the position"
    x, y = outcome.sky_map.pixels(*TRUE.sky(100.0, 600.0))
    assert np.hypot(x - 100, y - 600) < 1


@pytest.mark.parametrize("degrees", [1.6, 2.8])
def test_many_stars_overrule_a_header(degrees):
    """World coordinates two degrees off give way to the stars near the pointing of the mount.

    So they do where the catalogue has no star to contradict them by.
    """
    rng = np.random.default_rng(5)
    stars = _catalogue(25, rng, degrees)
    outcome = place_field(_field(stars, rng, faint=40), HINT, _off(2.0), stars.within)
    assert outcome.source == "stars"
    assert outcome.note == "the stars contradict the header and give the position"
    x, y = outcome.sky_map.pixels(*TRUE.sky(100.0, 600.0))
    assert np.hypot(x - 100, y - 600) < 0.5


@pytest.mark.parametrize(
    ("location", "said"),
    [
        (replace(HINT, dec=55.0, place_is_stated=True), "puts the field 15 degrees away"),
        (replace(HINT, scales_arcsec=(3.0,), scale_is_stated=True), 'gives a scale of 3" a pixel'),
    ],
)
def test_project_file_goes_before_a_header(location, said):
    """A place or a scale in the project file that contradicts the header rules it out."""
    rng = np.random.default_rng(6)
    stars = _catalogue(2, rng)
    outcome = place_field(_field(stars, rng), location, HeaderMap(TRUE, ()), stars.within)
    assert outcome.sky_map is None
    assert f"which were not used: the project file {said}" in outcome.sentence
