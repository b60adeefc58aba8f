import numpy as np
import pytest

from platelib.light_curves.peers import brightness_classes, neighbour_quantiles


@pytest.mark.parametrize("count", [5, 60, 1000])
def test_classes_are_ordered_and_not_small(count):
    """Fainter stars have higher classes; each has 25 stars, if the field has so many."""
    rng = np.random.default_rng(count)
    magnitude = 16 - rng.exponential(1.5, count)
    classes = brightness_classes(magnitude)
    assert (np.diff(classes[np.argsort(magnitude)]) >= 0).all()
    assert classes.min() == 0
    assert np.bincount(classes).min() >= min(count, 25)


def test_quantiles_are_those_of_the_nearest():
    """They equal `numpy.quantile` of the 101 stars nearest in rank; stars out of use have none."""
    rng = np.random.default_rng(3)
    magnitude, statistic = np.sort(rng.uniform(8, 16, 400)), rng.normal(0, 1, 400)
    statistic[5] = np.nan
    use = np.arange(400) != 200
    low, middle = neighbour_quantiles(statistic, magnitude, (0.25, 0.5), use)
    others = np.delete(np.arange(400), [5, 200])
    around = others[np.searchsorted(others, 300) - 50 :][:101]
    assert middle[300] == pytest.approx(np.quantile(statistic[around], 0.5))
    assert low[300] == pytest.approx(np.quantile(statistic[around], 0.25))
    assert np.isfinite(middle[[5, 200]]).all()


def test_no_peers_give_nan():
    """Without any finite statistic there are no quantiles."""
    found = neighbour_quantiles(np.full(4, np.nan), np.arange(4.0), (0.5,))
    assert np.isnan(found).all()
