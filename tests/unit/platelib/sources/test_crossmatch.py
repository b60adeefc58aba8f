import math

import numpy as np

from platelib.sources.crossmatch import (
    CatalogueObject,
    match_objects,
    match_stars,
)


def one(name, ra, dec, major=math.nan):
    """Make a round galaxy of a list."""
    return CatalogueObject(name, "galaxy", ra, dec, major, major)


def test_brighter_of_two_near_sources_is_the_object():
    """An object is the source with the most light for its distance, and no source is two."""
    step = 1 / 3600
    ra, dec = 10 + np.array([1.0, 2.0, 900.0]) * step, np.full(3, 0.0)
    flux = np.array([5.0, 500.0, 5000.0])
    objects = [one("a", 10.0, 0.0), one("b", 10.0 + step, 0.0), one("far", 40.0, 0.0)]
    eligible = np.array([True, True, True])
    found = match_objects(ra, dec, flux, eligible, objects)
    assert sorted(found[:2].tolist()) == [0, 1]
    assert found[2] == -1
    assert match_objects(ra, dec, flux, np.array([True, False, True]), objects[:1]).tolist() == [0]


def test_large_objects_reach_further():
    """A galaxy of 4 arcmin may have its middle 40 arcsec from its catalogue place, a star not."""
    ra, dec, flux = np.array([10.0 + 40 / 3600]), np.zeros(1), np.ones(1)
    objects = [one("small", 10.0, 0.0), one("large", 10.0, 0.0, 4.0)]
    assert match_objects(ra, dec, flux, flux > 0, objects).tolist() == [-1, 0]


def test_stars_are_matched_nearest_first():
    """Each catalogue star gets its nearest source within reach, each source one star."""
    x, y = np.array([10.0, 12.0, 50.0]), np.array([5.0, 5.0, 5.0])
    found = match_stars(x, y, np.array([11.8, 12.3, 80.0]), np.array([5.0, 5.0, 5.0]), 3.0)
    assert found.tolist() == [1, -1, -1] or found.tolist() == [1, 0, -1]
    assert match_stars(x[:0], y[:0], x, y, 3.0).tolist() == [-1, -1, -1]
