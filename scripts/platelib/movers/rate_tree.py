"""Groups of subs and grids of rates, coarse for short groups and fine for long ones.

A sum along a rate over m subs is the sum of two sums over half of them. A group that spans a
fraction f of the series needs only f^2 of the rates. So all shorter sums together cost about as
much as the last ones: Brady (1998), SIAM J. Comput. 27, 107, does this for straight lines of an
image (from memory).
"""

import math
from dataclasses import dataclass

import numpy as np

MOST_DEPTH = 7
"""A block of rates has 2^7 of them along each axis; more are searched as several blocks."""


@dataclass(frozen=True)
class RateTree:
    """Which sums are formed of which, the same for all tiles and all blocks of rates.

    Depth 0 has the coarsest rates and the shortest groups, the last depth has one group.

    Attributes
    ----------
    first, count : numpy.ndarray
        ``(depths, n)`` int64: first member of a group at the depth before, and how many; at depth
        0 the members are subs in the order of time.
    time, size : numpy.ndarray
        ``(depths, n)`` float64: mean time of the subs of a group in minutes since the middle of
        the series, and their number.
    groups : numpy.ndarray
        ``(depths,)`` int64: groups of each depth.
    minutes : numpy.ndarray
        ``(n,)`` float64: times of the subs, minutes since the middle of the series.
    step : float
        Step between the finest rates along an axis, px/min.
    blocks : numpy.ndarray
        ``(b, 2)`` float64: rates (x, y) in the middle of each block, px/min.
    most : float
        Highest rate, px/min.
    least : float
        Lowest rate, px/min; slower ones are at rest.
    """

    first: np.ndarray
    count: np.ndarray
    time: np.ndarray
    size: np.ndarray
    groups: np.ndarray
    minutes: np.ndarray
    step: float
    blocks: np.ndarray
    most: float
    least: float

    @property
    def depth(self) -> int:
        """Number of times that rates are refined."""
        return len(self.groups) - 1

    @property
    def side(self) -> int:
        """Rates of a block along an axis."""
        return 1 << self.depth

    @property
    def halo(self) -> int:
        """Pixels around a tile that its sums reach."""
        middle = float(np.abs(self.blocks).max()) * float(np.abs(self.minutes).max())
        return math.ceil(middle) + int(self.margins()[0]) + 4  # for the interpolation of candidates

    def margins(self) -> np.ndarray:
        """Return the pixels by which later depths can still shift the groups of each depth."""
        depths = np.arange(self.depth + 1)
        # A finer rate lies half of its step aside; times are at most half of the series.
        far = np.abs(self.minutes).max() * self.step
        shift = np.floor(far * 2.0 ** (self.depth - depths) / 2 + 1.0).astype(np.int64)
        return np.array([shift[d + 1 :].sum() for d in depths], dtype=np.int64)

    def rate(self, block: int, code: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the rates (x, y), px/min, of finest cells by number, ``side * row + column``."""
        middle = (self.side - 1) / 2
        x = self.blocks[block, 0] + (code % self.side - middle) * self.step
        y = self.blocks[block, 1] + (code // self.side - middle) * self.step
        return x, y

    @property
    def rates(self) -> int:
        """Number of rates that are searched."""
        total = 0
        for block in range(len(self.blocks)):
            x, y = self.rate(block, np.arange(self.side**2))
            reach = np.hypot(x, y)
            total += int(((reach <= self.most + self.step) & (reach >= self.least)).sum())
        return total


def rate_tree(minutes: np.ndarray, most: float, least: float) -> RateTree:
    """Plan the sums of a series.

    Parameters
    ----------
    minutes : numpy.ndarray
        ``(n,)`` float64, ascending: middle of each exposure, minutes since the middle of the
        series.
    most : float
        Highest rate, px/min.
    least : float
        Lowest rate that is not at rest, px/min.

    Returns
    -------
    RateTree
        Neighbouring rates differ by 2 px over the series, so that the nearest one is off by 1 px
        at most from end to end, and by half a pixel at either end.
    """
    span = float(minutes[-1] - minutes[0])
    if len(minutes) < 2 or not span > 0 or np.any(np.diff(minutes) < 0):
        msg = "sums along rates need two or more subs in ascending order of time"
        raise ValueError(msg)
    step = 2.0 / span
    needed = max(2.0 * most / step, 1.0)
    depth = min(MOST_DEPTH, max(1, math.ceil(math.log2(needed))))
    cells = [_cells(minutes, span, depth - d) for d in range(depth + 1)]
    tables = _tables(minutes, cells)
    blocks = _blocks(most, step * 2**depth)
    return RateTree(**tables, minutes=minutes, step=step, blocks=blocks, most=most, least=least)


def _cells(minutes: np.ndarray, span: float, doublings: int) -> np.ndarray:
    """Return the number of the part of the series, of 2^doublings parts, that each sub is in."""
    parts = 2**doublings
    place = np.floor((minutes - minutes[0]) / span * parts).astype(np.int64)
    return np.minimum(place, parts - 1)


def _tables(minutes: np.ndarray, cells: list[np.ndarray]) -> dict[str, np.ndarray]:
    shape = (len(cells), len(minutes))
    first, count = np.zeros(shape, dtype=np.int64), np.zeros(shape, dtype=np.int64)
    time, size = np.zeros(shape), np.zeros(shape)
    groups = np.zeros(len(cells), dtype=np.int64)
    below = np.arange(len(minutes))  # the member that each sub belongs to
    for depth, cell in enumerate(cells):
        _, start, number = np.unique(cell, return_index=True, return_inverse=True)
        groups[depth] = len(start)
        for g in range(len(start)):
            members = np.unique(below[number == g])
            first[depth, g], count[depth, g] = members[0], len(members)
            time[depth, g] = minutes[number == g].mean()
            size[depth, g] = np.count_nonzero(number == g)
        below = number
    return {"first": first, "count": count, "time": time, "size": size, "groups": groups}


def _blocks(most: float, width: float) -> np.ndarray:
    """Return the middles of the squares of rates that cover a disc."""
    along = max(1, math.ceil(2 * most / width))
    middle = (np.arange(along) - (along - 1) / 2) * width
    x, y = (part.reshape(-1) for part in np.meshgrid(middle, middle))
    aside = np.hypot(np.maximum(np.abs(x) - width / 2, 0.0), np.maximum(np.abs(y) - width / 2, 0.0))
    return np.column_stack([x, y])[aside < most] if most > 0 else np.zeros((1, 2))
