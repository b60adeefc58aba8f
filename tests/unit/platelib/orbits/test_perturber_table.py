import numpy as np

from platelib.orbits.perturber_table import PerturberTable
from platelib.orbits.planets import perturbers


def test_places_between_days_are_those_of_the_theory():
    """At any time of its span, the table agrees with the formulae within 2e-8 au (3 km)."""
    rng = np.random.default_rng(1)
    begin, end = 2460000.3, 2460400.9
    table = PerturberTable(begin, end, perturbers)
    jd = np.concatenate([[begin, end], rng.uniform(begin, end, 100)])
    off = np.linalg.norm(np.moveaxis(table.at(jd), 2, 0) - perturbers(jd), axis=2)
    assert off.max() < 2e-8
    assert off[:, 1:8].max() < 1e-9


def test_table_of_a_moment_is_allowed():
    """A span of no length, on a whole day or not, gives its places."""
    for jd in (2460000.0, 2460000.5):
        found = PerturberTable(jd, jd, perturbers).at(np.array([jd]))
        np.testing.assert_allclose(found[:, :, 0], perturbers(jd), atol=1e-8)
