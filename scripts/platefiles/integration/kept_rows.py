"""Resample the rows that two tiles share only once.

A tile of the integration is worked on with some rows around it. Of many subs, tiles are low, and
without this a third of the work would be done twice.
"""

from collections.abc import Sequence

import numpy as np

from platefiles.integration.tiles import Span


class KeptRows:
    """Thread-safe copies of the bottom rows of tiles, by the columns of the tile.

    Parameters
    ----------
    limit : float
        Bytes of all copies for a whole row of tiles.
    width : int
        Columns of that row.
    """

    def __init__(self, limit: float = 0, width: int = 1):
        self._limit_of_column = limit / width
        self._kept: dict[Span, tuple[int, list[np.ndarray]]] = {}

    def keep(self, columns: Span, first: int, planes: Sequence[np.ndarray]) -> None:
        """Copy rows up to the limit.

        Parameters
        ----------
        columns : tuple of int
            First of the grid and the one after the last.
        first : int
            First row of the planes on the grid.
        planes : sequence of numpy.ndarray
            ``(n, rows, columns)``.
        """
        of_row = sum(plane[:, 0, 0].nbytes for plane in planes)
        rows = min(planes[0].shape[1], int(self._limit_of_column / of_row))
        if rows > 0:
            self._kept[columns] = first, [plane[:, :rows].copy() for plane in planes]

    def fill(self, columns: Span, first: int, planes: Sequence[np.ndarray]) -> int:
        """Fill the first rows of a tile.

        Parameters
        ----------
        columns, first, planes
            As for `keep`.

        Returns
        -------
        int
            Number of filled rows; 0 if the tile above is not ready.
        """
        kept_first, kept = self._kept.pop(columns, (-1, []))
        if kept_first != first:
            return 0
        rows = min(kept[0].shape[1], planes[0].shape[1])
        for plane, copy in zip(planes, kept, strict=True):
            plane[:, :rows] = copy[:, :rows]
        return rows
