import numpy as np
import pytest

from platelib.movers.rate_tree import rate_tree


@pytest.mark.parametrize(("most", "span"), [(0.05, 60), (1.0, 60), (0.7, 150), (1.0, 240)])
def test_every_rate_has_a_neighbour_that_ends_within_a_pixel(most, span):
    """The nearest rate is off by half a pixel at most at either end, along each axis."""
    tree = rate_tree(np.linspace(-span / 2, span / 2, 20), most, 0.0)
    cells = [tree.rate(b, np.arange(tree.side**2)) for b in range(len(tree.blocks))]
    grid = np.column_stack([np.concatenate(axis) for axis in zip(*cells, strict=True)])
    rng = np.random.default_rng(3)
    for _ in range(100):
        angle, rate = rng.uniform(0, 2 * np.pi), most * np.sqrt(rng.random())
        off = np.abs(grid - [rate * np.cos(angle), rate * np.sin(angle)]).max(axis=1).min()
        assert off * span / 2 <= 0.5 + 1e-9


def test_rates_grow_with_the_square_of_the_way():
    """Twice the highest rate needs about four times the rates."""
    minutes = np.linspace(-30, 30, 20)
    one, two = (rate_tree(minutes, most, 0.0).rates for most in (0.5, 1.0))
    assert 3.7 < two / one < 4.3
    assert abs(two / (np.pi * 30**2) - 1) < 0.1


def test_all_subs_are_in_one_group_of_each_depth():
    """Groups part the subs, and each is made of neighbours at the depth before."""
    rng = np.random.default_rng(5)
    minutes = np.sort(np.concatenate([rng.uniform(-60, -40, 13), rng.uniform(20, 60, 10)]))
    tree = rate_tree(minutes - (minutes[0] + minutes[-1]) / 2, 1.0, 0.0)
    before = len(minutes)
    for depth, count in enumerate(tree.groups.tolist()):
        ends = tree.first[depth, :count] + tree.count[depth, :count]
        assert tree.first[depth, 0] == 0 and ends[-1] == before
        assert np.array_equal(tree.first[depth, 1:count], ends[:-1])
        assert tree.size[depth, :count].sum() == len(minutes)
        assert depth == 0 or tree.count[depth, :count].max() <= 2
        before = count
    assert tree.groups[-1] == 1


def test_subs_of_one_time_are_refused():
    """A rate needs a span of time."""
    with pytest.raises(ValueError, match="two or more subs in ascending order of time"):
        rate_tree(np.zeros(3), 1.0, 0.0)
