"""Filters of PNG against their definition, and rounding to 8 bits."""

import numpy as np
import pytest

from platelib.picture.png_filter import filtered, to_8_bits

RNG = np.random.default_rng(4)
PICTURES = {
    "noise": RNG.integers(0, 256, (40, 30, 3)),
    "rows": np.repeat(RNG.integers(0, 256, (40, 1, 3)), 30, axis=1),
    "columns": np.repeat(RNG.integers(0, 256, (1, 30, 3)), 40, axis=0),
    "slope": np.add.outer(np.arange(40), np.arange(30))[..., None] + np.array([3, 90, 180]),
    "black": np.zeros((40, 30, 3)),
}


def _regained(content):
    """Undo filters as ISO/IEC 15948:2004, section 9.2, defines them; slowly, value by value."""
    lines = np.zeros((len(content), content.shape[1] - 1), dtype=int)
    for y, (kind, *rest) in enumerate(content.tolist()):
        for x, value in enumerate(rest):
            a = lines[y, x - 3] if x >= 3 else 0
            b = lines[y - 1, x] if y else 0
            c = lines[y - 1, x - 3] if y and x >= 3 else 0
            p = a + b - c
            nearest = min((abs(p - a), 0, a), (abs(p - b), 1, b), (abs(p - c), 2, c))[2]
            lines[y, x] = (value + (0, a, b, (a + b) // 2, nearest)[kind]) % 256
    return lines


@pytest.mark.parametrize("name", PICTURES)
def test_what_is_filtered_can_be_regained(name):
    """Whatever filter was taken, the lines are those that were given."""
    lines = PICTURES[name].astype(np.uint8).reshape(40, 90)
    content = filtered(lines, np.zeros(90, dtype=np.uint8))
    np.testing.assert_array_equal(_regained(content), lines)


def test_the_filter_suits_the_picture():
    """Rows of one colour are predicted from the left, noise from two neighbours."""
    none = np.zeros(90, dtype=np.uint8)
    lines = {name: PICTURES[name].astype(np.uint8).reshape(40, 90) for name in ("rows", "noise")}
    kinds = {name: filtered(picture, none)[1, 0] for name, picture in lines.items()}
    assert kinds["rows"] == 1
    assert kinds["noise"] in (3, 4)


def test_strips_go_on_where_the_one_above_ended():
    """The first line of a strip is predicted from the line above it."""
    lines = PICTURES["columns"].astype(np.uint8).reshape(40, 90)
    strip = filtered(lines[10:], lines[9])
    assert strip[0, 0] in (2, 4)
    assert not strip[:, 1:].any()


def test_16_bits_are_rounded_to_8():
    """The nearest of 256 levels, which are 257 apart."""
    values = np.arange(65536, dtype=np.uint16)
    np.testing.assert_array_equal(to_8_bits(values), np.rint(values / 257))
