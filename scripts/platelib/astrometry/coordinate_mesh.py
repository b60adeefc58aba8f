"""Positions of the pixels of one image in another, interpolated between the nodes of a mesh.

World coordinates of every pixel cost far more than reading and drawing the pixel, while they are
nearly linear over some tens of pixels. So they are computed at the nodes of a mesh, and linearly
interpolated in its square cells. The error is measured: a mesh of half the pitch tells the
positions in the middle of the cells and of their sides, where the error of the interpolation is
greatest. Cells whose error stays too large, as at the edge of a projection, have their pixels
computed one by one.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

Places = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
"""From x and y of one image to x and y of another, ``(n,)`` 0-based pixels; NaN for nowhere."""

_WIDEST_PX, _NARROWEST_PX = 256, 4
_MOST_POOR = 1 / 64
"""Fraction of the cells that may be computed pixel by pixel before the mesh becomes finer."""


@dataclass(frozen=True)
class CoordinateMesh:
    """Positions at the nodes of a mesh over an image.

    Attributes
    ----------
    shape : tuple of int
        ``(ny, nx)`` of the image that the mesh lies over.
    pitch_px : int
        Side of a cell. Node ``(j, i)`` lies on pixel ``(j * pitch_px, i * pitch_px)``.
    nodes : numpy.ndarray
        ``(2, my, mx)`` float64: x and y in the other image.
    poor : numpy.ndarray
        ``(my - 1, mx - 1)`` bool: cells whose pixels are computed one by one.
    places : callable
        The exact positions.
    error_px : float
        Largest error of the interpolation in a mesh of twice the pitch, pixels of the other image;
        that of this one is about a quarter of it.
    """

    shape: tuple[int, int]
    pitch_px: int
    nodes: np.ndarray
    poor: np.ndarray
    places: Places
    error_px: float

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Return the positions of the pixels of some rows.

        Returns
        -------
        numpy.ndarray
            ``(2, stop - start, nx)`` float64: x and y in the other image; NaN for nowhere.
        """
        pitch, nx = self.pitch_px, self.shape[1]
        rows = np.arange(start, stop)
        first, along = rows // pitch, (rows % pitch / pitch)[:, None]
        lines = (1 - along) * self.nodes[:, first] + along * self.nodes[:, first + 1]
        across = np.arange(pitch) / pitch
        steps = np.diff(lines, axis=2)[..., None]
        full = np.multiply(steps, across)
        full += lines[:, :, :-1, None]
        found = full.reshape(2, len(rows), -1)[:, :, :nx]
        if self.poor[first[0] : first[-1] + 1].any():
            found = self._with_exact(found, rows)
        return found

    def _with_exact(self, found: np.ndarray, rows: np.ndarray) -> np.ndarray:
        cells = self.poor[rows // self.pitch_px]
        down, across = np.nonzero(np.repeat(cells, self.pitch_px, axis=1)[:, : self.shape[1]])
        found = found.copy()
        found[:, down, across] = self.places(across.astype(float), rows[down].astype(float))
        return found


def fitted_mesh(places: Places, shape: tuple[int, int], tolerance_px: float) -> CoordinateMesh:
    """Return the mesh of positions with an error below a tolerance.

    Parameters
    ----------
    places : callable
        From the image that the mesh lies over to the other image. It is also called for pixels up
        to 255 px beyond the edges.
    shape : tuple of int
        ``(ny, nx)`` of the image that the mesh lies over.
    tolerance_px : float
        Greatest error, pixels of the other image.
    """
    pitch = _WIDEST_PX
    coarse = _nodes(places, shape, pitch, pitch)
    while True:
        half = pitch // 2
        fine = _nodes(places, shape, pitch, half)
        error, blank = _errors(coarse, fine)
        poor = ~(error <= tolerance_px) & ~blank
        if half <= _NARROWEST_PX or poor.mean() <= _MOST_POOR:
            known = error[~poor & ~blank]
            worst = float(known.max()) if known.size else 0.0
            poor = np.repeat(np.repeat(poor, 2, axis=0), 2, axis=1)
            return CoordinateMesh(shape, half, fine, poor, places, worst)
        pitch, coarse = half, fine[:, : _count(shape[0], half), : _count(shape[1], half)]


def _count(size: int, pitch: int) -> int:
    """Return the number of nodes along a side of an image."""
    return max(2, -(-(size - 1) // pitch) + 1)


def _nodes(places: Places, shape: tuple[int, int], pitch: int, step: int) -> np.ndarray:
    """Return positions ``(2, my, mx)`` every so many pixels, as far as a mesh of a pitch goes."""
    y, x = (np.arange(0, (_count(size, pitch) - 1) * pitch + 1, step) for size in shape)
    columns, lines = (grid.ravel().astype(float) for grid in np.meshgrid(x, y))
    return np.stack(places(columns, lines)).reshape(2, len(y), len(x))


def _errors(coarse: np.ndarray, fine: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the error of interpolation in each cell of the coarse mesh, and where all is NaN."""
    left, right = coarse[:, :, :-1], coarse[:, :, 1:]
    guess = fine.copy()
    guess[:, ::2, 1::2] = (left + right) / 2
    guess[:, 1::2] = (guess[:, :-2:2] + guess[:, 2::2]) / 2
    off = np.hypot(*(guess - fine))
    parts = [off[j : j - 2 or None : 2, i : i - 2 or None : 2] for j in range(3) for i in range(3)]
    error = np.max(parts, axis=0)
    blank = np.all(np.isnan(parts), axis=0)
    return error, blank
