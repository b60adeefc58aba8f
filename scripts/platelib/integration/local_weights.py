"""Weights of subs that follow their noise across the field.

A gradient of moonlight makes one side of a sub noisier than the other. Where the gradients of the
subs differ, so do the weights by which their mean has least noise: they are proportional to the
inverse variance at each place. The variances come from the modelled difference of the skies, never
from a pixel's own value: weights that follow the noise of their own samples bias the mean.

Weights are constant within cells of the grid, which lie at the same places whatever the tiles are.
Between neighbouring cells they differ by less than the models are good for.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platelib.numerics.transform import basis, normalisation, polynomial

CELL = 128
"""Rows and columns of a cell, pixels: as many as the average of a strip takes at a time."""

_LATTICE = 25
_LEAST_DEVIATION = 0.02
"""Relative variances that differ by less between subs make weights that gain nothing: variance is
lost with the square of their error."""
_MOST = 4.0
"""Weights change by this factor at most: a model that runs away at the edge is not followed."""


@dataclass(frozen=True)
class WeightTable:
    """Weights of the subs in a tile.

    Attributes
    ----------
    weights : numpy.ndarray
        ``(cells down, cells across, n)`` float64.
    first_row, first_column : int
        Where the tile begins in the first cell, pixels.
    cell : int
        Rows and columns of a cell, pixels.
    """

    weights: np.ndarray
    first_row: int
    first_column: int
    cell: int

    def at(self, row: int, column: int) -> np.ndarray:
        """Return the weights of the subs in a pixel of the tile, ``(n,)``."""
        return self.weights[
            (row + self.first_row) // self.cell, (column + self.first_column) // self.cell
        ]

    def plane(self, number: int, shape: tuple[int, int]) -> np.ndarray:
        """Return the weights of a sub in a tile of a shape, ``(ny, nx)`` float64."""
        down, across = (
            (np.arange(size) + first) // self.cell
            for size, first in zip(shape, (self.first_row, self.first_column), strict=True)
        )
        return self.weights[down[:, None], across[None, :], number]

    @property
    def as_kernels_take_it(self) -> tuple[np.ndarray, int, int, int]:
        """The fields in order."""
        return self.weights, self.first_row, self.first_column, self.cell


def constant_weights(weights: np.ndarray) -> WeightTable:
    """Return a table of one cell larger than any image; ``weights`` are ``(n,)``."""
    table = np.ascontiguousarray(np.asarray(weights, dtype=np.float64)[None, None])
    return WeightTable(table, 0, 0, 1 << 40)


class LocalWeights:
    """Weights of the subs of a channel at each position of the grid.

    Parameters
    ----------
    weights : numpy.ndarray
        ``(n,)`` float64, positive: the weights at the mean of each sub's sky.
    noise : numpy.ndarray
        ``(n,)`` float64: noise of each sub there, in the unit of the channel.
    photon_variance : numpy.ndarray
        ``(n,)`` float64: by how much the variance of a sub rises with each unit of its sky, in the
        unit of the channel; 0 where that is unknown.
    skies : sequence of array_like
        Coefficients of each sub's sky less a sky common to all, as polynomials of degree 0 to 2 in
        the normalisation of transforms.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    common : bool
        Whether the mean of the subs' skies is what all have in common. If not, it is the sky that
        the skies are given less of, so that the weight of a sub does not depend on other subs.

    Attributes
    ----------
    is_constant : bool
        Whether the weights are the same everywhere.

    Notes
    -----
    With a sky ``d_i(x, y)`` less its mean over the field and what is common, the weight is
    ``w_i / (1 + p_i d_i / noise_i^2)``. A gradient that all subs have in common would multiply all
    variances nearly alike, and is left out.
    """

    def __init__(
        self,
        weights: np.ndarray,
        noise: np.ndarray,
        photon_variance: np.ndarray,
        skies: Sequence[np.ndarray | Sequence[float]],
        shape: tuple[int, int],
        common: bool = True,
    ):
        self._weights = np.asarray(weights, dtype=np.float64)
        self._shape, n = shape, len(self._weights)
        self._skies = np.zeros((n, 6))
        for row, sky in zip(self._skies, skies, strict=True):
            row[: len(sky)] = sky
        if common:
            self._skies -= self._skies.sum(axis=0) / n
        self._slope = np.asarray(photon_variance, dtype=np.float64) / np.square(noise)
        y, x = (
            plane.ravel()
            for plane in np.mgrid[
                0 : shape[0] - 1 : _LATTICE * 1j, 0 : shape[1] - 1 : _LATTICE * 1j
            ]
        )
        over_field = polynomial(self._terms(y, x), self._skies)
        self._skies[:, 0] -= over_field.sum(axis=1) / over_field.shape[1]
        relative = self._relative_variance(y, x)
        unlike = relative * (n / relative.sum(axis=0)) if common else relative
        self.is_constant = bool(np.abs(unlike - 1).max() < _LEAST_DEVIATION)

    def _terms(self, y: np.ndarray, x: np.ndarray) -> np.ndarray:
        centre_x, centre_y, scale = normalisation(self._shape)
        return basis((x - centre_x) / scale, (y - centre_y) / scale, 2)

    def _relative_variance(self, y: np.ndarray, x: np.ndarray) -> np.ndarray:
        """Return each sub's variance at positions relative to its mean sky, ``(n, places)``."""
        rise = self._slope[:, None] * polynomial(self._terms(y, x), self._skies)
        return np.clip(1 + rise, 1 / _MOST, _MOST)

    def of_tile(self, rows: tuple[int, int], columns: tuple[int, int]) -> WeightTable:
        """Return the weights in a part of the grid.

        Parameters
        ----------
        rows, columns : tuple of int
            First of the grid and the one after the last.
        """
        if self.is_constant:
            return constant_weights(self._weights)
        down, across = (np.arange(f // CELL, (t - 1) // CELL + 1) for f, t in (rows, columns))
        middle = (CELL - 1) / 2
        y, x = np.meshgrid(down * CELL + middle, across * CELL + middle, indexing="ij")
        relative = self._relative_variance(y.ravel(), x.ravel())
        table = (self._weights[:, None] / relative).T.reshape(*y.shape, len(self._weights))
        return WeightTable(np.ascontiguousarray(table), rows[0] % CELL, columns[0] % CELL, CELL)
