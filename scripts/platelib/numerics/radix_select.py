"""Order statistics of large float32 arrays by counting: two passes, and no copy of the values.

The bits of a float, read as an integer, sort in the order of the numbers once the sign bit of
positive numbers and all bits of negative numbers are inverted. The first pass counts the upper
halves of these integers, which gives the upper half of the result; the second pass counts the lower
halves of the integers with that upper half. The result is a value of the array, the same as after
sorting.
"""

from collections.abc import Sequence

import numpy as np

from platelib.numerics.kernels import kernel, read_only

_HALF = 1 << 16
_NO_CENTRE = np.float32(0.0)


def ranked(
    values: np.ndarray, ranks: Sequence[int], centre: np.float32 | None = None
) -> list[np.float32]:
    """Return the values of some ranks.

    Parameters
    ----------
    values : numpy.ndarray
        Float32 of any shape, without NaN.
    ranks : sequence of int
        From 0, the smallest, to ``values.size - 1``.
    centre : numpy.float32, optional
        Rank the absolute deviations from this value instead.

    Returns
    -------
    list of numpy.float32
    """
    flat = read_only(values.reshape(-1))
    from_centre, centre = centre is not None, _NO_CENTRE if centre is None else centre
    upper = np.zeros(_HALF, dtype=np.int64)
    _count_upper(flat, centre, from_centre, upper)
    below = np.cumsum(upper)
    lower: dict[int, np.ndarray] = {}
    found = []
    for rank in ranks:
        half = int(np.searchsorted(below, rank, side="right"))
        if half not in lower:
            lower[half] = np.zeros(_HALF, dtype=np.int64)
            _count_lower(flat, centre, from_centre, half, lower[half])
        left = rank - (int(below[half - 1]) if half else 0)
        other = int(np.searchsorted(np.cumsum(lower[half]), left, side="right"))
        found.append(_value(half * _HALF + other))
    return found


def middle(values: np.ndarray, centre: np.float32 | None = None) -> np.float32:
    """Return the result of `numpy.median` for values as in `ranked`, which must not be empty."""
    half = values.size // 2
    if values.size % 2:
        return ranked(values, [half], centre)[0]
    low, high = ranked(values, [half - 1, half], centre)
    return np.float32((low + high) / np.float32(2))


def _value(key: int) -> np.float32:
    word = key ^ 0x80000000 if key & 0x80000000 else ~key & 0xFFFFFFFF
    return np.uint32(word).view(np.float32)


@kernel
def _key(value):
    word = np.float32(value).view(np.uint32)
    if word >> np.uint32(31):
        return ~word
    return word | np.uint32(0x80000000)


@kernel
def _count_upper(values, centre, from_centre, counts):
    for k in range(values.size):
        value = abs(values[k] - centre) if from_centre else values[k]
        counts[_key(value) >> np.uint32(16)] += 1


@kernel
def _count_lower(values, centre, from_centre, half, counts):
    for k in range(values.size):
        value = abs(values[k] - centre) if from_centre else values[k]
        key = _key(value)
        if key >> np.uint32(16) == half:
            counts[key & np.uint32(0xFFFF)] += 1


def warm_up() -> None:
    """Compile the kernels."""
    middle(np.ones(2, dtype=np.float32), np.float32(1))
