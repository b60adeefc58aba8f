"""Smooth functions as tables with straight lines between their nodes, for kernels.

A table by octaves has its nodes at equal steps within each power of two, so that its relative error
is the same everywhere: for steps of 1/1024 and functions like ours it is below 3e-7. The exponent
and the upper bits of a number are the number of its step. A call takes as long as a multiplication
or two, where the mathematical library takes ten times that, and the same bits come out on every
processor.
"""

from collections.abc import Callable
from functools import cache

import numpy as np

from platelib.colour.srgb import decode, encode
from platelib.numerics.kernels import kernel, read_only

_STEP_BITS = 10
_SHIFT = 52 - _STEP_BITS
_ONE = 1023 << _STEP_BITS
_REST = (1 << _SHIFT) - 1
_REST_UNIT = 1.0 / (1 << _SHIFT)
_EVEN_STEPS = 4096
_ENCODED_FROM, _ROOTS_FROM = -9, -24
"""Exponents of the smallest light in the tables of sRGB values and of cube roots."""


def octaves(
    function: Callable[[np.ndarray], np.ndarray], lowest: int, highest: int
) -> tuple[np.ndarray, int]:
    """Tabulate a function from ``2**lowest`` to ``2**highest``.

    Parameters
    ----------
    function : callable
        Of ``(n,)`` float64.
    lowest, highest : int

    Returns
    -------
    table : numpy.ndarray
        ``(m,)`` float64, read-only.
    first : int
        Number of the first step, for `by_octaves`.
    """
    steps = 1 << _STEP_BITS
    number = np.arange((highest - lowest) * steps + 2)
    nodes = np.ldexp(1 + (number % steps) / steps, lowest + number // steps)
    return read_only(np.asarray(function(nodes), dtype=np.float64)), _ONE + lowest * steps


@kernel
def by_octaves(table, first, x):
    """Look a function up at ``x`` inside the range of its table."""
    bits = np.float64(x).view(np.int64)
    k = (bits >> _SHIFT) - first
    return table[k] + (bits & _REST) * _REST_UNIT * (table[k + 1] - table[k])


@kernel
def by_even_steps(table, x):
    """Look a function up at ``x`` from 0 to 1."""
    place = x * (table.size - 2)
    k = int(place)
    return table[k] + (place - k) * (table[k + 1] - table[k])


Transfer = tuple[np.ndarray, np.ndarray, int, np.ndarray, int]


@cache
def transfer_tables() -> Transfer:
    """Return the tables of `to_light`, `to_display` and `cube_root`."""
    even = read_only(decode(np.arange(_EVEN_STEPS + 2) / _EVEN_STEPS))
    return (
        even,
        *octaves(encode, _ENCODED_FROM, 1),
        *octaves(np.cbrt, _ROOTS_FROM, 2),
    )


@kernel
def to_light(tables, display):
    """Convert an sRGB display value from 0 to 1 to linear light."""
    return by_even_steps(tables[0], display)


@kernel
def to_display(tables, light):
    """Convert linear light from 0 to 1 to an sRGB display value."""
    if light <= 0.0031308:
        return 12.92 * light
    return by_octaves(tables[1], tables[2], light)


@kernel
def cube_root(tables, x):
    """Return the cube root of a number from 0 to 2."""
    if x < 1e-7:
        return x ** (1 / 3) if x > 0 else 0.0
    return by_octaves(tables[3], tables[4], x)


def asinh_table(top: float) -> tuple[np.ndarray, int]:
    """Tabulate ``asinh(t) / t`` over ``1 + t``, for `by_octaves`.

    Parameters
    ----------
    top : float
        Largest ``t``.
    """
    highest = int(np.ceil(np.log2(1 + max(top, 1.0)))) + 1
    return octaves(_asinh_ratio, 0, highest)


def _asinh_ratio(above_one: np.ndarray) -> np.ndarray:
    t = above_one - 1
    return np.where(t > 0, np.arcsinh(t) / np.where(t > 0, t, 1), 1.0)
