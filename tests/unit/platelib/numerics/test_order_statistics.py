from itertools import product

import numpy as np
import pytest

from platelib.numerics.order_statistics import (
    median,
    median_network,
    sort,
    sorting_network,
    valley_network,
    work_network,
)

SIZES = [*range(1, 35), 63, 64, 65, 100, 300]


@pytest.mark.parametrize("n", range(1, 13))
def test_network_sorts_every_sequence_of_zeros_and_ones(n):
    """A network that sorts all sequences of 0 and 1 sorts everything.

    The 0-1 principle: Knuth, The Art of Computer Programming, 3, 5.3.4; from memory.
    """
    rows = np.array(list(product((0, 1), repeat=n)), dtype=np.float32).T.copy()
    expected = np.sort(rows, axis=0)
    work_network(rows, sorting_network(n), rows.shape[1])
    np.testing.assert_array_equal(rows, expected)


@pytest.mark.parametrize("n", SIZES)
def test_network_sorts_columns(n):
    """Columns come out as numpy sorts them, with ties and infinities; further columns stay."""
    rows = np.random.default_rng(n).integers(0, n, (n, 40)).astype(np.float32)
    rows[n // 2 :, ::3] = np.inf
    before = rows.copy()
    work_network(rows, sorting_network(n), 30)
    np.testing.assert_array_equal(rows[:, :30], np.sort(before, axis=0)[:, :30])
    np.testing.assert_array_equal(rows[:, 30:], before[:, 30:])


@pytest.mark.parametrize("n", SIZES)
def test_valleys_are_merged(n):
    """Columns that fall and then rise are sorted by the shorter network."""
    rng = np.random.default_rng(n)
    ordered = np.sort(rng.normal(0, 1, (n, 60)), axis=0).astype(np.float32)
    rows = np.abs(ordered - rng.normal(0, 1, 60).astype(np.float32))
    expected = np.sort(rows, axis=0)
    work_network(rows, valley_network(n), 60)
    np.testing.assert_array_equal(rows, expected)


@pytest.mark.parametrize("n", SIZES)
def test_shorter_network_finds_the_median(n):
    """The part of the network for the median puts both middle values in their places."""
    rows = np.random.default_rng(n).normal(0, 1, (n, 50)).astype(np.float32)
    expected = np.sort(rows, axis=0)
    work_network(rows, median_network(n), 50)
    for place in {(n - 1) // 2, n // 2}:
        np.testing.assert_array_equal(rows[place], expected[place])
    assert len(median_network(n)) <= len(sorting_network(n))


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("n", [*SIZES, 1000])
def test_median_equals_numpys(n, dtype):
    """The median is numpy's of the same values in double precision, whatever they are like."""
    rng = np.random.default_rng(n)
    kinds = [
        rng.normal(0, 1, n),
        rng.normal(60000, 5, n),
        np.round(rng.normal(1000, 2, n)),
        np.full(n, 7.0),
        np.where(rng.random(n) < 0.1, 1e9, rng.normal(0, 1e-3, n)),
        rng.normal(0, 1e-30, n),
        np.where(rng.random(n) < 0.1, np.inf, rng.normal(0, 1, n)),
        -(10.0 ** rng.uniform(-30, 30, n)),
    ]
    for values in kinds:
        buffer = np.append(values, -1e6).astype(dtype)
        expected = np.median(buffer[:n].astype(np.float64))
        assert median(buffer, n) == expected


@pytest.mark.parametrize("n", SIZES)
def test_sort_equals_numpys(n):
    """The first values are sorted, the rest stays."""
    buffer = np.random.default_rng(n).integers(0, n, n + 3).astype(np.float64)
    expected = np.append(np.sort(buffer[:n]), buffer[n:])
    sort(buffer, n)
    np.testing.assert_array_equal(buffer, expected)
