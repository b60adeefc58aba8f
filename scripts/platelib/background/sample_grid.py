"""A representative sample of the pixels of an image.

The pixels stand on a lattice of odd row distance whose columns are staggered, so that a pattern of
even and odd rows or columns of the sensor is met in all its parts.
"""

from dataclasses import dataclass

import numpy as np

_LEAST_SAMPLES = 100_000


@dataclass(frozen=True)
class Lattice:
    """The pixels of an image that its sky is measured from.

    Sample ``(r, c)`` is the pixel in row ``r row_step + row_step // 2`` and column
    ``c column_step + (r // 2) % column_step``.

    Attributes
    ----------
    image_shape : tuple of int
        ``(ny, nx)`` of the image.
    cells : tuple of int
        ``(my, mx)`` of the mesh.
    row_step, column_step : int
        Distances of samples, pixels.
    """

    image_shape: tuple[int, int]
    cells: tuple[int, int]
    row_step: int
    column_step: int

    @classmethod
    def over(cls, image_shape: tuple[int, int], cell_px: int) -> "Lattice":
        """Return the lattice for a cell size in pixels; a small image is sampled densely."""
        ny, nx = image_shape
        row_step, column_step = max(1, cell_px // 21) | 1, max(1, cell_px // 32)
        if ny * nx < _LEAST_SAMPLES * row_step * column_step:
            column_step = 1
        if ny * nx < _LEAST_SAMPLES * row_step:
            row_step = 1
        cells = max(1, ny // cell_px), max(1, nx // cell_px)
        return cls(image_shape, cells, row_step, column_step)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the samples."""
        ny, nx = self.image_shape
        return int(self._first(ny)), nx // self.column_step

    def edges(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the sample rows and columns of the cell boundaries."""
        (ny, nx), (my, mx) = self.image_shape, self.cells
        columns = np.arange(mx + 1) * nx // mx // self.column_step
        return self._first(np.arange(my + 1) * ny // my), columns

    def image_rows(self, first: int, last: int) -> tuple[int, int]:
        """Return the rows of the image, from and to, that some sample rows are in."""
        middle = self.row_step // 2
        return first * self.row_step + middle, (last - 1) * self.row_step + middle + 1

    def pick(self, rows: np.ndarray, first: int, last: int) -> np.ndarray:
        """Copy samples out of some rows of an image.

        Parameters
        ----------
        rows : numpy.ndarray
            ``(n, nx)`` of any type: the rows of the image that :meth:`image_rows` names.
        first, last : int
            Sample rows, from and to.

        Returns
        -------
        numpy.ndarray
            ``(last - first, columns)`` of the same type.
        """
        columns = self.shape[1]
        samples = np.empty((last - first, columns), dtype=rows.dtype)
        shift = np.arange(first, last) // 2 % self.column_step
        for offset in range(self.column_step):
            chosen = np.flatnonzero(shift == offset)
            stop = offset + columns * self.column_step
            samples[chosen] = rows[chosen * self.row_step, offset : stop : self.column_step]
        return samples

    def _first(self, row):
        """Number of the first sample at or above a row; sample 0 is in the middle of a step."""
        return (row + self.row_step // 2) // self.row_step
