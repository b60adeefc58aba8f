"""Pairs of near points of two sets, in any number of dimensions."""

import numpy as np

_MOST_AT_A_TIME = 2_000_000


def close_pairs(one: np.ndarray, other: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Return all pairs of points of two sets within a distance.

    Points are compared with those whose first coordinate is within reach, which is quick as long
    as these are few; memory is bounded whatever they are.

    Parameters
    ----------
    one : numpy.ndarray
        ``(n, d)`` float64.
    other : numpy.ndarray
        ``(m, d)`` float64.
    reach : float
        Largest Euclidean distance.

    Returns
    -------
    i, j : numpy.ndarray
        ``(p,)`` int64: numbers of the points of each pair, in the order of ``i``.
    """
    order = np.argsort(other[:, 0], kind="stable")
    coordinates = list(zip(one.T.copy(), other[order].T.copy(), strict=True))
    first = coordinates[0][1]
    start = np.searchsorted(first, one[:, 0] - reach, side="left")
    count = np.searchsorted(first, one[:, 0] + reach, side="right") - start
    # Where the candidates of each point begin among all of them.
    begin = np.cumsum(count) - count
    found = []
    for part in _parts(begin, int(count.sum())):
        i = np.repeat(np.arange(part.start, part.stop), count[part])
        j = np.arange(len(i)) + np.repeat(
            start[part] - begin[part] + begin[part.start], count[part]
        )
        squares = np.zeros(len(i))
        for a, b in coordinates:
            squares += (a[i] - b[j]) ** 2
        near = np.flatnonzero(squares <= reach**2)
        found.append((i[near], order[j[near]]))
    if not found:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    i, j = (np.concatenate(numbers) for numbers in zip(*found, strict=True))
    return i, j


def mutual_pairs(one: np.ndarray, other: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Return pairs of mutually nearest points.

    Parameters
    ----------
    one, other : numpy.ndarray
        ``(n, 2)`` and ``(m, 2)`` float64.
    reach : float

    Returns
    -------
    i, j : numpy.ndarray
        ``(k,)`` int64, in the order of ``i``.
    """
    i, j = close_pairs(one, other, reach)
    distance = np.hypot(*(one[i] - other[j]).T)
    order = np.lexsort((j, i, distance))
    i, j = i[order], j[order]
    first_i = np.zeros(len(i), dtype=bool)
    first_i[np.unique(i, return_index=True)[1]] = True
    first_j = np.zeros(len(j), dtype=bool)
    first_j[np.unique(j, return_index=True)[1]] = True
    both = first_i & first_j
    i, j = i[both], j[both]
    order = np.argsort(i, kind="stable")
    return i[order], j[order]


def _parts(begin: np.ndarray, total: int) -> list[slice]:
    """Part points, whose candidates begin at these numbers, so that none has too many."""
    cuts = np.searchsorted(begin, np.arange(0, total, _MOST_AT_A_TIME))
    edges = np.unique([0, *cuts.tolist(), len(begin)])
    return [slice(int(a), int(b)) for a, b in zip(edges[:-1], edges[1:], strict=True)]
