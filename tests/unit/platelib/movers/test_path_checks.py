from dataclasses import replace

import numpy as np
from unit.platelib.movers.drawn_nights import FWHM_PX, drawn_maps

from platelib.movers.path_checks import is_moving, is_steady, steady_subs
from platelib.movers.path_sums import highest_path
from platelib.movers.rate_search import RateSearch, is_found

MINUTES = np.linspace(-30, 30, 20)
SEARCH = RateSearch(1.0, FWHM_PX, 16.4e6)
SHAPE = (260, 300)


def test_one_half_alone_is_no_mover():
    """What one half of the series shows is not found."""
    rng = np.random.default_rng(15)
    signal, weight = drawn_maps(rng, MINUTES, SHAPE, [(100.0, 120.0, 0.4, 0.3, 4.0)])
    start = np.array([[100.0, 120.0, 0.4, 0.3]])
    path = highest_path(signal, weight, MINUTES, start, (0.5, 1 / 60), 1.0)
    assert is_steady(path) and is_moving(path)
    half = np.where(np.arange(20) < 10, path.signal, 0)
    assert not is_steady(replace(path, signal=2 * half))
    assert not is_moving(replace(path, rest=path.statistic))


def test_a_few_bright_subs_are_no_mover_and_one_outlier_costs_none():
    """A sum that is made of few subs is not steady; a mover is found without its outlier."""
    rng = np.random.default_rng(19)
    signal, weight = drawn_maps(rng, MINUTES, SHAPE, [(100.0, 120.0, 0.4, 0.3, 4.0)])
    start = np.array([[100.0, 120.0, 0.4, 0.3]])
    path = highest_path(signal, weight, MINUTES, start, (0.5, 1 / 60), 1.0)
    few = np.where(np.isin(np.arange(20), [2, 5, 9, 13, 16]), 9.0, 0.5)
    assert not is_steady(replace(path, signal=few))
    one = path.signal.copy()
    one[7] = 40.0
    assert is_found(replace(path, signal=one), MINUTES, SEARCH)
    assert not steady_subs(replace(path, signal=one))[7]
