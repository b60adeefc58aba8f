"""Positions of perturbers between the days of a table."""

from typing import Protocol

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_NODES = 6
_BEFORE = 2


class Places(Protocol):
    """Heliocentric positions of the perturbers, au, ``(t, 9, 3)``, at ``(t,)`` TT Julian days."""

    def __call__(self, jd: Floats, /) -> Floats:
        """Return the positions."""


class PerturberTable:
    """Positions at each day of a span, interpolated with six days.

    The error is 1e-8 au for Mercury and the Moon, and below 1e-9 au for the others.

    Parameters
    ----------
    begin, end : float
        TT, Julian days.
    places : callable
        Gives the positions.
    """

    def __init__(self, begin: float, end: float, places: Places) -> None:
        self._first = float(np.floor(begin)) - _BEFORE
        count = int(np.ceil(end - self._first)) + _NODES
        days = self._first + np.arange(count, dtype=np.float64)
        self._table = np.ascontiguousarray(places(days).reshape(days.size, -1))

    def at(self, jd: Floats) -> Floats:
        """Return positions at ``(m,)`` days of the span, ``(9, 3, m)``."""
        place = jd - self._first
        start = np.floor(place).astype(np.intp) - _BEFORE
        weights = _weights(place - start)
        found = np.zeros((jd.size, self._table.shape[1]))
        for node in range(_NODES):
            found += weights[node][:, np.newaxis] * self._table[start + node]
        return found.T.reshape(-1, 3, jd.size)


def _weights(x: Floats) -> Floats:
    """Return Lagrange's weights of the nodes 0 to 5 at x, ``(6, m)``."""
    away = x - np.arange(_NODES)[:, np.newaxis]
    weights = np.ones((_NODES, x.size))
    for node in range(_NODES):
        for other in range(_NODES):
            if other != node:
                weights[node] *= away[other] / (node - other)
    return weights
