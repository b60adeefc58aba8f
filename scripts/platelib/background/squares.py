"""Means over squares of blocks in units of their noise, by sums that move along with the square."""

import numpy as np

from platelib.numerics.kernels import allocating_kernel, kernel, read_only

LEAST_SHARE = 0.2
"""Fraction of a square that must be used, for its mean to count."""


@allocating_kernel
def significance_of_squares(excess, variance, used, side, significance):
    """Divide the sum over the square round each used block by its noise.

    Parameters
    ----------
    excess, variance : numpy.ndarray
        ``(my, mx)`` float64, finite.
    used : numpy.ndarray
        ``(my, mx)`` uint8: 1 for blocks that are used, else 0.
    side : int
        Side of the squares, blocks; odd.
    significance : numpy.ndarray
        ``(my, mx)`` float32, filled; NaN where a block is not used, or where too few blocks of its
        square are.
    """
    my, mx = excess.shape
    half = side // 2
    # Sums along columns with margins of 0, then sums along the row up to each column.
    columns, upto = np.zeros((3, mx + side)), np.zeros((3, mx + side))
    inner = columns[:, half + 1 : half + 1 + mx]
    for y in range(-half, my):
        new, old = y + half, y - half - 1
        if new < my:
            _add(excess[new], variance[new], used[new], 1.0, inner[0], inner[1], inner[2])
        if old >= 0:
            _add(excess[old], variance[old], used[old], -1.0, inner[0], inner[1], inner[2])
        if y >= 0:
            _accumulate(columns[0], columns[1], columns[2], upto[0], upto[1], upto[2])
            _divide(upto[0], upto[1], upto[2], used[y], side, significance[y])


@kernel
def _add(excess, variance, used, sign, light, spread, number):
    for x in range(excess.size):
        weight = sign * used[x]
        light[x] += weight * excess[x]
        spread[x] += weight * variance[x]
        number[x] += weight


@kernel
def _accumulate(light, spread, number, light_upto, spread_upto, number_upto):
    """Sum up three rows; the sums do not wait for each other."""
    one, two, three = 0.0, 0.0, 0.0
    for x in range(light.size):
        one += light[x]
        two += spread[x]
        three += number[x]
        light_upto[x], spread_upto[x], number_upto[x] = one, two, three


@kernel
def _divide(light, spread, number, used, side, significance):
    least = LEAST_SHARE * side * side
    light_beyond, spread_beyond, number_beyond = light[side:], spread[side:], number[side:]
    for x in range(used.size):
        there = (used[x] != 0) & (number_beyond[x] - number[x] > least)
        noise = np.sqrt(np.float32(spread_beyond[x] - spread[x]))
        value = np.float32(light_beyond[x] - light[x]) / noise
        significance[x] = value if there else np.float32(np.nan)


@kernel
def significance_of_blocks(excess, variance, used, significance):
    """Do `significance_of_squares` for squares of one block."""
    for y in range(excess.shape[0]):
        light, spread, there, to = excess[y], variance[y], used[y], significance[y]
        for x in range(light.size):
            value = np.float32(light[x]) / np.sqrt(np.float32(spread[x]))
            to[x] = value if there[x] != 0 else np.float32(np.nan)


def warm_up() -> None:
    """Compile the kernels of this module."""
    plane, used = np.ones((4, 5)), np.ones((4, 5), dtype=np.uint8)
    planes = read_only(plane), read_only(plane), read_only(used)
    significance = np.empty((4, 5), dtype=np.float32)
    significance_of_squares(*planes, 3, significance)
    significance_of_blocks(*planes, significance)
