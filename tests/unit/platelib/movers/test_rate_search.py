from dataclasses import replace

import numpy as np
import pytest
from unit.platelib.movers.drawn_nights import FWHM_PX, drawn_maps, reader_of

from platelib.movers.false_alarms import expected_peaks, shuffled_order
from platelib.movers.rate_search import (
    RateSearch,
    distinct_paths,
    is_found,
    search_bytes,
    search_rates,
    shuffled_excess,
)

MINUTES = np.linspace(-30, 30, 20)
SEARCH = RateSearch(1.0, FWHM_PX, 16.4e6)
SHAPE = (260, 300)


def _movers(rng, snr):
    """Nine movers apart from each other, of 0.1 to 1 px/min."""
    movers = []
    for k in range(9):
        rate, angle = np.sqrt(rng.uniform(0.01, 1)), rng.uniform(0, 2 * np.pi)
        x, y = 50 + 100 * (k % 3), 45 + 85 * (k // 3)
        movers.append((x, y, rate * np.cos(angle), rate * np.sin(angle), snr))
    return movers


def _is_at(path, mover):
    x, y, vx, vy, _ = mover
    return np.hypot(*(path.places(MINUTES) - np.column_stack(
        [x + vx * MINUTES, y + vy * MINUTES])).T).max() < 3  # fmt: skip


def _found(signal, weight, **more):
    paths = search_rates(reader_of(signal, weight), SHAPE, MINUTES, SEARCH, **more)
    return [path for path in paths if is_found(path, MINUTES, SEARCH)]


@pytest.mark.parametrize(("snr", "least"), [(2.5, 17), (1.7, 9)])
def test_movers_below_the_limit_of_a_sub_are_found(snr, least):
    """Of movers in 20 subs, 90 % are found at 2.5 sigma a sub, and half at 1.7; none else."""
    count = 0
    for seed in range(2):
        rng = np.random.default_rng(70 + seed)
        movers = _movers(rng, snr)
        found = _found(*drawn_maps(rng, MINUTES, SHAPE, movers))
        matched = [[k for k, mover in enumerate(movers) if _is_at(path, mover)] for path in found]
        assert all(len(which) == 1 for which in matched)
        assert len({which[0] for which in matched}) == len(matched)
        count += len(matched)
    assert count >= least


def test_threads_and_order_change_no_bit():
    """Any number of threads gives the same bits, and a mover in shuffled subs is none."""
    rng = np.random.default_rng(5)
    signal, weight = drawn_maps(rng, MINUTES, SHAPE, _movers(rng, 3.0))
    one, two = (_found(signal, weight, threads=threads) for threads in (1, 3))
    assert len(one) == len(two) > 7
    for path, other in zip(one, two, strict=True):
        for name, value in vars(path).items():
            assert np.array_equal(value, vars(other)[name])
    assert _found(signal, weight, order=shuffled_order(20, 1)) == []


def test_bright_places_at_rest_and_single_outliers_are_no_movers():
    """Residues of stars in all subs, cosmic rays, and gaps make no track."""
    rng = np.random.default_rng(11)
    signal, weight = drawn_maps(rng, MINUTES, SHAPE, [])
    for x, y in rng.integers(20, 240, (8, 2)):
        signal[:, y - 1 : y + 2, x - 1 : x + 2] += rng.normal(3, 4, (20, 1, 1))
    for x, y in rng.integers(20, 240, (8, 2)):
        signal[rng.integers(0, 20), y - 1 : y + 2, x - 1 : x + 2] = 60
    weight[4:9, 100:140] = 0
    signal[4:9, 100:140] = np.nan
    assert _found(signal, weight) == []


def test_a_mover_over_gaps_and_edges_is_found_with_the_subs_that_show_it():
    """Masked subs weigh nothing in the track."""
    rng = np.random.default_rng(12)
    mover = (150.0, 128.0, 0.5, 0.0, 5.0)
    signal, weight = drawn_maps(rng, MINUTES, SHAPE, [mover])
    signal[:, :, 140:150] = np.nan
    (path,) = _found(signal, weight)
    assert _is_at(path, mover)
    masked = (mover[0] + 0.5 * MINUTES > 140.5) & (mover[0] + 0.5 * MINUTES < 148.5)
    assert not path.weight[masked].any()
    assert (path.weight > 0).sum() >= 20 - masked.sum() - 2


def test_a_bright_mover_is_one_track():
    """Paths that cross a bright mover are not listed beside it."""
    rng = np.random.default_rng(13)
    signal, weight = drawn_maps(rng, MINUTES, SHAPE, [(100.0, 120.0, 0.4, 0.3, 40.0)])
    assert len(_found(signal, weight)) == 1


def test_depths_of_subs_are_weighed():
    """Subs of other depths add by their inverse variance."""
    rng = np.random.default_rng(14)
    depth = np.where(np.arange(20) % 2, 1.5, 0.4).astype(np.float32)[:, None, None]
    signal, weight = drawn_maps(rng, MINUTES, SHAPE, [])
    light, _ = drawn_maps(np.random.default_rng(0), MINUTES, SHAPE, [(99, 99, -0.3, 0.6, 2.0)])
    noise, _ = drawn_maps(np.random.default_rng(0), MINUTES, SHAPE, [])
    maps = (signal + (light - noise) * depth) * depth, weight * depth**2
    (path,) = _found(*maps)
    assert abs(path.statistic - 2.0 * np.sqrt(float((depth**2).sum()))) < 3.5


def test_paths_of_the_same_light_are_one():
    """Of two paths that share most subs the higher one stays."""
    rng = np.random.default_rng(16)
    signal, weight = drawn_maps(rng, MINUTES, SHAPE, [(100.0, 120.0, 0.4, 0.3, 4.0)])
    (path,) = _found(signal, weight)
    beside = replace(path, vx=path.vx + 0.02, signal=path.signal * 0.9)
    assert distinct_paths([beside, path], MINUTES, FWHM_PX, 6.0) == [path]
    apart = replace(path, x=path.x + 50)
    assert len(distinct_paths([path, apart], MINUTES, FWHM_PX, 6.0)) == 2


def test_shuffled_series_measure_the_false_alarms():
    """Noise has no excess beyond that of small numbers."""
    rng = np.random.default_rng(17)
    signal, weight = drawn_maps(rng, MINUTES, (120, 140), [])
    search = RateSearch(0.4, FWHM_PX, 120 * 140)
    read = reader_of(signal, weight)
    assert shuffled_excess(read, (120, 140), MINUTES, search, [1, 2]) < 2.5


def test_long_series_are_searched_in_blocks_of_rates():
    """A mover of four hours, off the middle of the blocks, is found at its place and rate."""
    minutes, shape = np.linspace(-120, 120, 16), (120, 150)
    search = RateSearch(0.7, FWHM_PX, 16.4e6)
    assert len(search.tree(minutes).blocks) == 4
    mover = (75.0, 60.0, 0.35, -0.3, 4.0)
    maps = drawn_maps(np.random.default_rng(18), minutes, shape, [mover])
    (path,) = search_rates(reader_of(*maps), shape, minutes, search)
    assert is_found(path, minutes, search)
    assert np.hypot(path.x - 75, path.y - 60) < 0.6
    assert np.hypot(path.vx - 0.35, path.vy + 0.3) < 0.01


def test_memory_is_bounded():
    """40 subs take 250 MB with two threads, for a grid of any size."""
    assert search_bytes(SEARCH, np.linspace(-30, 30, 40), threads=2) < 250e6


def test_noise_has_at_most_the_expected_peaks():
    """Searches of drawn noise find up to as many peaks as the formula says, and a fair part."""
    search = RateSearch(0.3, FWHM_PX, 4e4, false_alarms=0.3)
    minutes = np.linspace(-30, 30, 10)
    gate = search.gate(minutes)
    found = 0
    for seed in range(4):
        signal, weight = drawn_maps(np.random.default_rng(40 + seed), minutes, (200, 200), [])
        found += len(search_rates(reader_of(signal, weight), (200, 200), minutes, search))
    expected = 4 * expected_peaks(gate, 4e4, 0.3, minutes, search.correlation_px)
    assert 0.1 * expected < found < expected + 3 * np.sqrt(expected)
