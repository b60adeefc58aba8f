"""Medians: of one pixel by selection, of many pixels at once by a sorting network.

A network is a fixed list of pairs of places; at each pair the smaller value goes to the first
place and the larger to the second. It has no branches that depend on the data, so that one pair is
worked for a whole strip of pixels by vector instructions.

References
----------
Batcher (1968), *Sorting networks and their applications*, AFIPS Conf. Proc. 32, 307: the odd-even
merge sort and the bitonic merge.
"""

from functools import cache

import numpy as np

from platelib.numerics.kernels import kernel

_FEW = 5
_HALVINGS = 20


@cache
def sorting_network(n: int) -> np.ndarray:
    """Return the odd-even merge sort network for ``n`` values.

    Returns
    -------
    numpy.ndarray
        ``(pairs, 2)`` int64.
    """
    size = _power_of_two(n)
    pairs: list[tuple[int, int]] = []

    def merge(start: int, length: int, step: int) -> None:
        if 2 * step >= length:
            pairs.append((start, start + step))
            return
        merge(start, length, 2 * step)
        merge(start + step, length, 2 * step)
        pairs.extend((k, k + step) for k in range(start + step, start + length - step, 2 * step))

    def sort(start: int, length: int) -> None:
        if length > 1:
            sort(start, length // 2)
            sort(start + length // 2, length // 2)
            merge(start, length, 1)

    sort(0, size)
    # Places beyond the last hold nothing smaller, so that their pairs change nothing.
    return _table([pair for pair in pairs if pair[1] < n])


@cache
def valley_network(n: int) -> np.ndarray:
    """Return the bitonic merge, which sorts ``n`` values that fall first and rise then."""
    pairs = []
    step = _power_of_two(n) // 2
    while step:
        pairs += [(k, k + step) for k in range(n - step) if not k & step]
        step //= 2
    return _table(pairs)


@cache
def median_network(n: int) -> np.ndarray:
    """Return the part of :func:`sorting_network` that sorts the middle values."""
    wanted = {(n - 1) // 2, n // 2}
    pairs = []
    for first, second in reversed(sorting_network(n).tolist()):
        if first in wanted or second in wanted:
            wanted |= {first, second}
            pairs.append((first, second))
    return _table(pairs[::-1])


def _power_of_two(n: int) -> int:
    return 1 << max(n - 1, 0).bit_length()


def _table(pairs: list[tuple[int, int]]) -> np.ndarray:
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


@kernel
def work_network(rows, pairs, width):
    """Apply the network to the rows of each of ``width`` columns, in place."""
    for k in range(len(pairs)):
        first = rows[pairs[k, 0]]
        second = rows[pairs[k, 1]]
        for p in range(width):
            one, other = first[p], second[p]
            first[p] = one if one < other else other
            second[p] = other if one < other else one


@kernel
def sort(buffer, count):
    """Sort the first ``count`` values in place: insertion in steps that shrink."""
    step = 1
    while 9 * step < count:
        step = 3 * step + 1
    while step:
        for i in range(step, count):
            value = buffer[i]
            j = i - step
            while j >= 0 and buffer[j] > value:
                buffer[j + step] = buffer[j]
                j -= step
            buffer[j + step] = value
        step //= 3


@kernel
def median(buffer, count):
    """Median of the first ``count`` values, which are overwritten.

    The interval that holds it is halved by counting, which vector instructions do, until few
    values are left to sort.
    """
    lower, upper = (count - 1) // 2, count // 2
    least, most = buffer[0], buffer[0]
    for i in range(1, count):
        least = buffer[i] if buffer[i] < least else least
        most = buffer[i] if buffer[i] > most else most
    if count <= _FEW or not np.isfinite(least):
        sort(buffer, count)
        return 0.5 * buffer[lower] + 0.5 * buffer[upper]
    # ``below`` values lie at or under ``least``, ``upto`` at or under ``most``.
    least -= 1e-9 * abs(least) + 1e-300
    below, upto = 0, count
    for _ in range(_HALVINGS):
        if upto - below <= _FEW:
            break
        middle = 0.5 * least + 0.5 * most
        number = 0
        for i in range(count):
            number += buffer[i] <= middle
        if number <= lower:
            least, below = middle, number
        elif number > upper:
            most, upto = middle, number
        else:
            return _between(buffer, count, middle)
    inside = 0
    for i in range(count):
        value = buffer[i]
        buffer[inside] = value
        inside += (value > least) & (value <= most)
    sort(buffer, inside)
    return 0.5 * buffer[lower - below] + 0.5 * buffer[upper - below]


@kernel
def _between(buffer, count, middle):
    """Mean of the two values that ``middle`` lies between."""
    one, other = -np.inf, np.inf
    for i in range(count):
        value = buffer[i]
        one = value if (value <= middle) & (value > one) else one
        other = value if (value > middle) & (value < other) else other
    return 0.5 * one + 0.5 * other


def warm_up() -> None:
    """Compile the kernels of this module."""
    sort(np.ones(3), 3)
    median(np.arange(9.0), 9)
    work_network(np.ones((3, 4), dtype=np.float32), sorting_network(3), 4)
