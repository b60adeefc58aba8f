"""Tables of curves against the functions that they hold."""

import numpy as np
import pytest

from platelib.colour.curve_tables import (
    asinh_table,
    by_octaves,
    cube_root,
    octaves,
    to_display,
    to_light,
    transfer_tables,
)
from platelib.colour.srgb import decode, encode

VALUES = np.r_[0.0, 1.0, np.geomspace(1e-9, 1, 4001), np.random.default_rng(2).random(4000)]


@pytest.mark.parametrize(
    ("lookup", "function"), [(to_light, decode), (to_display, encode), (cube_root, np.cbrt)]
)
def test_they_are_far_finer_than_a_picture(lookup, function):
    """The error is below a hundredth of a 16-bit step."""
    tables = transfer_tables()
    found = [lookup(tables, float(value)) for value in VALUES]
    np.testing.assert_allclose(found, function(VALUES), rtol=4e-7, atol=1.5e-7)


@pytest.mark.parametrize("top", [0.0, 1.0, 3e4, 1e9])
def test_asinh_over_its_argument(top):
    """Up to the top, and 1 at nothing."""
    table, first = asinh_table(top)
    t = np.r_[1e-12, np.geomspace(1e-6, max(top, 1e-5), 3000)]
    found = [by_octaves(table, first, 1.0 + float(value)) for value in t]
    np.testing.assert_allclose(found, np.arcsinh(t) / t, rtol=3e-7)
    assert by_octaves(table, first, 1.0) == 1.0


def test_nodes_are_exact():
    """Between its nodes a table is a straight line, at them the function."""
    table, first = octaves(np.log2, -3, 5)
    for value in (0.125, 0.75, 1.0, 1.0009765625, 31.96875):
        assert by_octaves(table, first, value) == np.log2(value)
