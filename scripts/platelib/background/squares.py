"""Means over squares of blocks in units of their noise, by means that move along with the square.

Squares that differ in nothing used have the same mean, but for what rounding leaves of it. Since
peaks of distributions are told by counting, the order of operations is that of
`scipy.ndimage.uniform_filter`, whose means they were at first.
"""

import numpy as np

from platelib.numerics.kernels import allocating_kernel, kernel, read_only

LEAST_SHARE = 0.2
"""Fraction of a square that must be used, for its mean to count."""


@allocating_kernel
def significance_of_squares(excess, variance, used, side, significance):
    """Divide the mean over the square round each used block by its noise.

    Parameters
    ----------
    excess, variance : numpy.ndarray
        ``(my, mx)`` float64, finite.
    used : numpy.ndarray
        ``(my, mx)`` uint8: 1 for blocks that are used, else 0.
    side : int
        Side of the squares, blocks; odd.
    significance : numpy.ndarray
        ``(my, mx)`` float64, filled; NaN where a block is not used, or where too few blocks of its
        square are.
    """
    my, mx = excess.shape
    half = side // 2
    # Sums along columns; their means, with margins of 0; sums of these along a row.
    columns, lines, sums = np.zeros((3, mx)), np.zeros((3, mx + side)), np.empty((3, mx))
    nothing = np.zeros(mx, dtype=np.uint8)
    for y in range(min(half, my)):
        _exchange(excess[y], variance[y], used[y], excess[y], variance[y], nothing, columns)
    for y in range(my):
        new, old = min(y + half, my - 1), max(y - half - 1, 0)
        _exchange(
            excess[new],
            variance[new],
            used[new] if y + half < my else nothing,
            excess[old],
            variance[old],
            used[old] if y - half - 1 >= 0 else nothing,
            columns,
        )
        for k in range(3):
            _mean_of_columns(columns[k], side, lines[k, half + 1 : half + 1 + mx])
            _differences(lines[k], side, sums[k])
        _accumulate(sums[0], sums[1], sums[2])
        _divide(sums[0], sums[1], sums[2], used[y], side, significance[y])


@kernel
def _exchange(excess, variance, used, old_excess, old_variance, old_used, columns):
    """Add a row to the sums, and take another one off."""
    light, spread, number = columns[0], columns[1], columns[2]
    for x in range(excess.size):
        weight, other = np.float64(used[x]), np.float64(old_used[x])
        light[x] += weight * excess[x] - other * old_excess[x]
        spread[x] += weight * variance[x] - other * old_variance[x]
        number[x] += weight - other


@kernel
def _mean_of_columns(column, side, line):
    for x in range(column.size):
        line[x] = column[x] / side


@kernel
def _differences(line, side, sums):
    """Set the sum about the first block, and what each further one differs by from that before."""
    total = 0.0
    for x in range(1, side + 1):
        total += line[x]
    sums[0] = total
    beyond, within, differences = line[1 + side :], line[1:], sums[1:]
    for x in range(differences.size):
        differences[x] = beyond[x] - within[x]


@kernel
def _accumulate(light, spread, share):
    """Sum up three rows; the sums do not wait for each other."""
    one, two, three = 0.0, 0.0, 0.0
    for x in range(light.size):
        one += light[x]
        two += spread[x]
        three += share[x]
        light[x], spread[x], share[x] = one, two, three


@kernel
def _divide(light, spread, share, used, side, significance):
    for x in range(used.size):
        noise = spread[x] / side
        judged = (used[x] != 0) & (share[x] / side > LEAST_SHARE) & (noise > 0)
        value = light[x] / side / (np.sqrt(noise) / side)
        significance[x] = value if judged else np.nan


@kernel
def significance_of_blocks(excess, variance, used, significance):
    """Do `significance_of_squares` for squares of one block."""
    for y in range(excess.shape[0]):
        light, spread, there, to = excess[y], variance[y], used[y], significance[y]
        for x in range(light.size):
            value = light[x] / np.sqrt(spread[x])
            to[x] = value if (there[x] != 0) & (spread[x] > 0) else np.nan


def warm_up() -> None:
    """Compile the kernels of this module."""
    plane, used = np.ones((4, 5)), np.ones((4, 5), dtype=np.uint8)
    planes = read_only(plane), read_only(plane), read_only(used)
    significance = np.empty((4, 5))
    significance_of_squares(*planes, 3, significance)
    significance_of_blocks(*planes, significance)
