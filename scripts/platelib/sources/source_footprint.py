"""Circular footprints of sources, which can be removed one by one."""

from collections.abc import Iterable, Iterator, Mapping

import numpy as np

_HALF_LIGHTS = 2.0
_BRIGHT, _BRIGHTEST = 200.0, 1000.0


class SourceCovers:
    """Circles about the sources of an image; bright ones get larger ones.

    Attributes
    ----------
    count : numpy.ndarray
        ``(ny, nx)`` uint16, by how many circles each pixel is covered.

    Parameters
    ----------
    shape : tuple of int
        ``(ny, nx)`` of the image.
    half_light_px : float
        Of stars.
    """

    def __init__(self, shape: tuple[int, ...], half_light_px: float):
        self.count = np.zeros(shape, dtype=np.uint16)
        self._half_light_px = half_light_px

    def lay(self, table: Mapping[str, np.ndarray], rows: Iterable[int]) -> None:
        """Cover sources.

        Parameters
        ----------
        table : mapping of str to numpy.ndarray
            ``x``, ``y``, ``flux`` and ``flux_error`` of sources in the image.
        rows : iterable of int
            Those that are covered.
        """
        for place, circle in self._circles(table, rows):
            self.count[place] += circle

    def lift(self, table: Mapping[str, np.ndarray], rows: Iterable[int]) -> None:
        """Uncover sources, which must have the light that they were covered with."""
        for place, circle in self._circles(table, rows):
            self.count[place] -= circle

    def _circles(
        self, table: Mapping[str, np.ndarray], rows: Iterable[int]
    ) -> Iterator[tuple[tuple[slice, slice], np.ndarray]]:
        x, y, flux, error = (
            table[name][np.asarray(rows)] for name in ("x", "y", "flux", "flux_error")
        )
        snr = flux / error
        wider = np.where(snr > _BRIGHTEST, 4.0, np.where(snr > _BRIGHT, 2.0, 1.0))
        ny, nx = self.count.shape
        columns, lines = np.arange(nx), np.arange(ny)
        for px, py, radius in zip(x, y, _HALF_LIGHTS * self._half_light_px * wider, strict=True):
            across = slice(max(0, int(px - radius)), min(nx, int(px + radius) + 2))
            down = slice(max(0, int(py - radius)), min(ny, int(py + radius) + 2))
            distance = np.hypot(columns[across] - px, lines[down, None] - py)
            yield (down, across), distance <= radius
