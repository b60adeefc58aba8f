import numpy as np
import pytest

from platelib.movers.rate_sums import MOST_SUB, UNIT, best_sums, bytes_of_tile
from platelib.movers.rate_tree import rate_tree


def _slow_integers(signal, weight, usual):
    """The maps as integers, in the plainest way."""
    there = (weight > 0) & (usual > 0) & np.isfinite(signal)
    b = np.where(there, weight, np.float32(0))
    a = np.where(there, signal, np.float32(0))
    scale = np.float32(UNIT) / np.sqrt(np.where(there, usual, np.float32(1)))
    limit = np.minimum(np.float32(MOST_SUB) * np.sqrt(b) * scale, np.float32(32767 // len(a)))
    return np.floor(np.clip(a * scale, -limit, limit) + np.float32(0.5)).astype(np.int64)


def _slow_best(integers, tree, block):
    """Return the best sums of each pixel by direct summation: every rate shifts every group."""
    halo, last = tree.halo, tree.depth - 1
    inner = (slice(halo, -halo), slice(halo, -halo))
    best, code = None, None
    for line in range(2**last):
        for column in range(2**last):
            for part in range(4):
                cell = 2 * column + part % 2, 2 * line + part // 2
                rates = _rates_on_the_way(tree, block, cell)
                reach = np.hypot(*rates[-1])
                aside = [_is_beyond(rate, d, tree) for d, rate in enumerate(rates[:-1])]
                if any(aside[1:]) or reach > tree.most + tree.step / 2 or reach < tree.least:
                    continue
                total = _slow_sum(integers, tree, rates)[inner]
                if best is None:
                    best, code = np.full(total.shape, -32768), np.zeros(total.shape, int)
                better = total > best
                best[better] = total[better]
                code[better] = line * 2**last + column
    return best, code


def _is_beyond(rate, depth, tree):
    half = tree.step * 2 ** (tree.depth - depth) / 2
    aside = np.hypot(*np.maximum(np.abs(rate) - half, 0))
    return aside > tree.most + tree.step / 2


def _rates_on_the_way(tree, block, cell):
    """Rates of the cells that hold a finest cell, coarse before fine."""
    rates = [np.array(tree.blocks[block])]
    for depth in range(1, tree.depth + 1):
        width = tree.step * 2 ** (tree.depth - depth)
        part = [(place >> (tree.depth - depth)) & 1 for place in cell]
        rates.append(rates[-1] + (np.array(part) - 0.5) * width)
    return rates


def _slow_sum(integers, tree, rates):
    """Sum of all subs at the last rate, by `numpy.roll`."""
    members = list(zip(integers, tree.minutes, np.zeros((len(integers), 2)), strict=True))
    members = [(image, t, moved, 1) for image, t, moved in members]
    for depth, rate in enumerate(rates):
        groups = []
        for g in range(tree.groups[depth]):
            first = tree.first[depth, g]
            parts = []
            for image, t, moved, size in members[first : first + tree.count[depth, g]]:
                shift = np.floor(rate * t - moved + 0.5).astype(int)
                parts.append((np.roll(image, -shift[::-1], (0, 1)), moved + shift, size, t))
            sizes = np.array([part[2] for part in parts])
            mean = sum(part[1] * part[2] for part in parts) / sizes.sum()
            time = tree.time[depth, g]
            groups.append((sum(part[0] for part in parts), time, mean, sizes.sum()))
        members = groups
    return members[0][0]


@pytest.mark.parametrize(
    ("n", "span", "most", "least", "seed"),
    [(3, 10, 0.5, 0.0, 0), (7, 12, 1.0, 0.3, 1), (5, 9, 0.2, 0.0, 2)],
)
def test_the_tree_agrees_with_one_rate_after_the_other(n, span, most, least, seed):
    """Best sums and their rates are to the last bit those of rates that are summed singly."""
    rng = np.random.default_rng(seed)
    minutes = np.sort(rng.uniform(0, span, n))
    minutes -= (minutes[0] + minutes[-1]) / 2
    tree = rate_tree(minutes, most, least)
    shape = (n, 9 + 2 * tree.halo, 14 + 2 * tree.halo)
    weight = rng.uniform(0.5, 2, shape).astype(np.float32)
    signal = (rng.standard_normal(shape) * 3 * np.sqrt(weight)).astype(np.float32)
    weight[rng.random(shape) < 0.05] = 0
    signal[rng.random(shape) < 0.05] = np.nan
    usual = weight.sum(axis=0) + np.float32(1)
    best, code = best_sums(signal, weight, usual, tree, 0)
    slow, slow_code = _slow_best(_slow_integers(signal, weight, usual), tree, 0)
    assert np.array_equal(best, slow)
    assert np.array_equal(code, slow_code)


def test_many_close_subs_share_the_coarsest_groups():
    """Subs that no rate can part at first are added at once."""
    rng = np.random.default_rng(4)
    minutes = np.concatenate([np.linspace(-6, -5.8, 5), np.linspace(5.8, 6, 4)])
    tree = rate_tree(minutes, 0.5, 0.0)
    assert tree.count[0].max() > 2
    shape = (9, 5 + 2 * tree.halo, 6 + 2 * tree.halo)
    signal, weight = rng.standard_normal(shape).astype(np.float32), np.ones(shape, np.float32)
    best, _ = best_sums(signal, weight, weight.sum(axis=0), tree, 0)
    slow, _ = _slow_best(_slow_integers(signal, weight, weight.sum(axis=0)), tree, 0)
    assert np.array_equal(best, slow)


def test_sums_cannot_overflow():
    """The brightest series adds up to less than 16 bits hold."""
    minutes = np.linspace(-3, 3, 40)
    tree = rate_tree(minutes, 0.3, 0.0)
    shape = (40, 3 + 2 * tree.halo, 4 + 2 * tree.halo)
    bright, weight = np.full(shape, 1e6, np.float32), np.ones(shape, np.float32)
    best, _ = best_sums(bright, weight, weight.sum(axis=0), tree, 0)
    assert abs(best.astype(float).min() / UNIT / (MOST_SUB * np.sqrt(40)) - 1) < 0.01


def test_a_tile_needs_few_bytes():
    """40 subs of an hour take 17 MB a tile."""
    tree = rate_tree(np.linspace(-30, 30, 40), 1.0, 0.05)
    assert bytes_of_tile(tree, 128, 512) < 17e6
