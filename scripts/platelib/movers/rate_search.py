"""Search of a series for objects below the limit of single subs: sums along a grid of rates.

Shao et al. (2014), ApJ 782, 1, and Heinze, Metchev & Trollo (2015), AJ 150, 125, call this
synthetic tracking (from memory).
"""

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from platelib.movers.false_alarms import (
    chance_threshold,
    excess_of_shuffles,
    expected_peaks,
    shuffled_order,
)
from platelib.movers.path_checks import is_moving, is_steady, steady_subs
from platelib.movers.path_sums import PathSum, highest_path, statistic
from platelib.movers.rate_sums import UNIT, best_sums, bytes_of_tile
from platelib.movers.rate_tree import RateTree, rate_tree
from platelib.numerics.constants import FWHM_PER_SIGMA

TILE = (128, 512)
"""Rows and columns of a tile: the sums of a series then stay in the cache of a processor."""

Read = Callable[[slice, slice], tuple[np.ndarray, np.ndarray]]
"""Take rows and columns inside the grid; return signal and weight, ``(n, ny, nx)`` float32."""

_BLOCK = 32
_MOST_PEAKS = 200
_GATE = 0.82
_APART_PX = 2.0
_REST_FWHM = 1.25
_WINGS = 1.3
"""Star images are wider far out than a Gaussian."""


@dataclass(frozen=True)
class RateSearch:
    """What is searched, and what counts as found.

    Attributes
    ----------
    most : float
        Highest rate, px/min.
    fwhm_px : float
        Of star images; an object at rest moves less than 1.25 times this over the series.
    pixels : float
        Pixels with data.
    false_alarms : float
        Expected number of false tracks in the field. By default one in 100 fields, so that linking
        and the search along rates have one in 50 together.
    excess : float
        Peaks in shuffled series for one of noise, see `shuffled_excess`.
    """

    most: float
    fwhm_px: float
    pixels: float
    false_alarms: float = 0.01
    excess: float = 1.0

    @property
    def correlation_px(self) -> float:
        """Sigma by which matched-filtered maps correlate, px."""
        return math.sqrt(2.0) * self.fwhm_px / FWHM_PER_SIGMA

    def threshold(self, minutes: np.ndarray) -> float:
        """Return the statistic that a track needs."""
        return chance_threshold(
            self.false_alarms, self.pixels, self.most, minutes, self.correlation_px, self.excess
        )

    def gate(self, minutes: np.ndarray) -> float:
        """Return the statistic of candidates, whose steps of place and rate lose some of it."""
        return _GATE * self.threshold(minutes)

    def tree(self, minutes: np.ndarray) -> RateTree:
        """Return the plan of sums."""
        least = _REST_FWHM * self.fwhm_px / float(minutes[-1] - minutes[0])
        return rate_tree(minutes, self.most, least)


def search_rates(
    read: Read,
    shape: tuple[int, int],
    minutes: np.ndarray,
    search: RateSearch,
    threads: int = 1,
    order: np.ndarray | None = None,
) -> list[PathSum]:
    """Find paths of constant rate whose statistic is above the gate of a search.

    Parameters
    ----------
    read : callable
        Reads matched-filter maps of all subs, in the order of time; see `Read`. Called from all
        threads.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    minutes : numpy.ndarray
        ``(n,)`` float64, ascending: middle of the exposures, minutes since the middle of the
        series.
    search : RateSearch
    threads : int, optional
        Tiles searched at a time; their number changes no bit.
    order : numpy.ndarray, optional
        ``(n,)``: the sub that is put at each time, for a shuffled series.

    Returns
    -------
    list of PathSum
        Highest statistic first, no two of the same object. The gate is below the threshold, so
        that shuffled series show more than one; `is_found` says which are above.

    Notes
    -----
    Memory for each thread: ``12 n (ny + 2 halo) (nx + 2 halo)`` bytes of a tile's maps, half of
    that for their reader, and `rate_sums.bytes_of_tile`.
    """
    tree = search.tree(minutes)
    gate = search.gate(minutes)

    def searched(tile: tuple[slice, slice]) -> list[PathSum]:
        return _search_tile(read, shape, tile, tree, search, gate, order)

    tiles = list(_tiles(shape))
    with ThreadPoolExecutor(threads) as pool:
        found = [path for paths in pool.map(searched, tiles) for path in paths]
    return distinct_paths(found, minutes, search.fwhm_px, gate)


def shuffled_excess(
    read: Read,
    shape: tuple[int, int],
    minutes: np.ndarray,
    search: RateSearch,
    seeds: Sequence[int],
    threads: int = 1,
) -> float:
    """Return how many peaks shuffled series show for one of noise, at least 1.

    Peaks of a series whose order of subs is permuted are false by construction. Those above the
    gate are counted that are steady and move.

    Parameters
    ----------
    read, shape, minutes, search, threads
        See `search_rates`. A part of the field serves if its pixels are those of the search.
    seeds : sequence of int
        One shuffled search for each.
    """
    plain, found = replace(search, excess=1.0), 0
    for seed in seeds:
        order = shuffled_order(len(minutes), seed)
        paths = search_rates(read, shape, minutes, plain, threads, order)
        found += sum(is_steady(path) and is_moving(path) for path in paths)
    expected = expected_peaks(
        plain.gate(minutes), plain.pixels, plain.most, minutes, plain.correlation_px
    )
    return excess_of_shuffles(found, len(seeds) * expected)


def is_found(path: PathSum, minutes: np.ndarray, search: RateSearch) -> bool:
    """Return whether a path is a mover: above the threshold, in all parts of the series, moving.

    The threshold holds for the subs that `steady_subs` keeps.
    """
    kept = steady_subs(path)
    total = statistic(path.signal[kept], path.weight[kept])
    return total >= search.threshold(minutes) and is_steady(path) and is_moving(path)


def search_bytes(search: RateSearch, minutes: np.ndarray, threads: int = 1) -> int:
    """Return the memory that `search_rates` takes, maps included."""
    tree = search.tree(minutes)
    ny, nx = TILE
    maps = len(minutes) * (ny + 2 * tree.halo) * (nx + 2 * tree.halo)
    return threads * (18 * maps + bytes_of_tile(tree, ny, nx))


def distinct_paths(
    paths: list[PathSum], minutes: np.ndarray, fwhm_px: float, gate: float
) -> list[PathSum]:
    """Return paths that stay above a gate without the subs where a higher path is beside them.

    Parameters
    ----------
    paths : list of PathSum
    minutes : numpy.ndarray
        ``(n,)`` float64.
    fwhm_px : float
        Paths closer than 1.5 times this in a sub see the same light; bright ones reach farther.
    gate : float

    Returns
    -------
    list of PathSum
        Highest first; paths of equal statistic in the order of place and rate.
    """
    ordered = sorted(paths, key=lambda path: (-path.statistic, path.y, path.x, path.vy, path.vx))
    kept: list[PathSum] = []
    places: list[np.ndarray] = []
    reaches: list[float] = []
    for path in ordered:
        here = path.places(minutes)
        free = np.ones(len(minutes), dtype=bool)
        for other, reach in zip(places, reaches, strict=True):
            free &= np.hypot(*(here - other).T) > reach
        if free.all() or statistic(path.signal[free], path.weight[free]) >= gate:
            kept.append(path)
            places.append(here)
            reaches.append(_reach(path, fwhm_px))
    return kept


def _reach(path: PathSum, fwhm_px: float) -> float:
    """Return the distance at which the star image of a path is below a third of the noise."""
    snr = float(path.signal.sum()) / math.sqrt(float(path.weight.sum()) * len(path.weight))
    wide = math.sqrt(2.0) * fwhm_px / FWHM_PER_SIGMA  # sigma of the filtered star image
    return max(1.5 * fwhm_px, _WINGS * wide * math.sqrt(2 * math.log(max(3 * snr, 1.0))))


def _tiles(shape: tuple[int, int]) -> Iterator[tuple[slice, slice]]:
    for y in range(0, shape[0], TILE[0]):
        for x in range(0, shape[1], TILE[1]):
            yield (
                slice(y, min(y + TILE[0], shape[0])),
                slice(x, min(x + TILE[1], shape[1])),
            )


def _maps(
    read: Read, shape: tuple[int, int], tile: tuple[slice, slice], halo: int, n: int
) -> tuple[np.ndarray, np.ndarray]:
    """Read a tile with its halo, zero beyond the grid."""
    sizes = [part.stop - part.start + 2 * halo for part in tile]
    inside = [
        slice(max(part.start - halo, 0), min(part.stop + halo, size))
        for part, size in zip(tile, shape, strict=True)
    ]
    there = tuple(
        slice(part.start - whole.start + halo, part.stop - whole.start + halo)
        for part, whole in zip(inside, tile, strict=True)
    )
    signal, weight = np.zeros((2, n, *sizes), dtype=np.float32)
    signal[:, *there], weight[:, *there] = read(*inside)
    return signal, weight


def _usual(weight: np.ndarray) -> np.ndarray:
    """Return the upper quartile of the summed weights of squares, at each pixel."""
    total = weight.sum(axis=0)
    ny, nx = total.shape
    padded = np.full((-(-ny // _BLOCK) * _BLOCK, -(-nx // _BLOCK) * _BLOCK), np.nan, np.float32)
    padded[:ny, :nx] = total
    squares = padded.reshape(len(padded) // _BLOCK, _BLOCK, -1, _BLOCK).swapaxes(1, 2)
    level = np.nanpercentile(squares.reshape(*squares.shape[:2], -1), 75, axis=2)
    return np.kron(level, np.ones((_BLOCK, _BLOCK)))[:ny, :nx].astype(np.float32)


def _search_tile(
    read: Read,
    shape: tuple[int, int],
    tile: tuple[slice, slice],
    tree: RateTree,
    search: RateSearch,
    gate: float,
    order: np.ndarray | None,
) -> list[PathSum]:
    signal, weight = _maps(read, shape, tile, tree.halo, len(tree.minutes))
    if order is not None:
        signal, weight = signal[order], weight[order]
    weight[~np.isfinite(signal) | ~(weight > 0)] = 0
    signal[weight == 0] = 0
    usual = _usual(weight)
    starts: list[np.ndarray] = []
    for block in range(len(tree.blocks)):
        best, code = best_sums(signal, weight, usual, tree, block)
        starts += list(_starts(best, code, gate, tree, block))
    corner = tile[1].start - tree.halo, tile[0].start - tree.halo
    steps = 0.5, tree.step / 2
    found = [
        highest_path(signal, weight, tree.minutes, start, steps, tree.most) for start in starts
    ]
    moved = [
        replace(path, x=path.x + corner[0], y=path.y + corner[1])
        for path in found
        if path.statistic >= gate
    ]
    return distinct_paths(moved, tree.minutes, search.fwhm_px, gate)


def _starts(
    best: np.ndarray, code: np.ndarray, gate: float, tree: RateTree, block: int
) -> Iterator[np.ndarray]:
    """Yield the four paths of each peak of a tile, ``(4, 4)``, in pixels of its maps."""
    y, x = np.nonzero(best >= gate * UNIT)
    order = np.lexsort((x, y, -best[y, x].astype(np.int64)))
    kept = np.zeros((0, 2))
    for k in order.tolist():
        if len(kept) == _MOST_PEAKS:
            break
        place = np.array([[x[k], y[k]]], dtype=np.float64)
        if len(kept) and np.hypot(*(kept - place).T).min() <= _APART_PX:
            continue
        kept = np.concatenate([kept, place])
        square = int(code[y[k], x[k]])
        side = tree.side // 2
        column, row = 2 * (square % side), 2 * (square // side)
        cells = np.array([r * tree.side + c for r in (row, row + 1) for c in (column, column + 1)])
        vx, vy = tree.rate(block, cells)
        yield np.column_stack([np.tile(place[0] + tree.halo, (4, 1)), vx, vy])
