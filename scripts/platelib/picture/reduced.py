"""Images and pictures made smaller by averaging, while their rows are read."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from PIL import Image

from platelib.bad_pixels.inpaint import inpaint_gaps
from platelib.colour.grey_sky import levels_of_light
from platelib.colour.sky_cells import CELL_PX
from platelib.colour.srgb import encode, light_of_levels
from platelib.numerics.pieces import pieces_of
from platelib.picture.pixels import PixelArray, Pixels

_STRIP_PX = 1 << 19
_SAMPLE_PX = 1 << 22
_FULL = 65535
_ROWS = 256


class Rows(Protocol):
    """An image whose rows are read as they are needed, row 0 at the bottom.

    Attributes
    ----------
    shape : tuple of int
        ``(n, ny, nx)``.
    """

    @property
    def shape(self) -> tuple[int, int, int]:
        """Return number of planes, rows and columns."""

    def __call__(self, start: int, stop: int) -> np.ndarray:
        """Return rows of all planes, ``(n, stop - start, nx)``."""


@dataclass(frozen=True)
class RowsPart:
    """Some rows and columns of an image.

    Attributes
    ----------
    whole : Rows
    part : tuple of slice
        Rows and columns.
    """

    whole: Rows
    part: tuple[slice, slice]

    @property
    def shape(self) -> tuple[int, int, int]:
        """Number of planes, rows and columns."""
        down, across = self.part
        return self.whole.shape[0], down.stop - down.start, across.stop - across.start

    def __call__(self, start: int, stop: int) -> np.ndarray:
        """Return rows of all planes, ``(n, stop - start, nx)``."""
        down, across = self.part
        return self.whole(down.start + start, down.start + stop)[..., across]


OnStrip = Callable[[int, np.ndarray], None]


def reduction(shape: tuple[int, ...], widest_px: int) -> int:
    """Return the reduction factor for a maximum width and height of an image."""
    return max(1, -(-max(shape) // widest_px))


def shrunk(planes: np.ndarray, factor: int) -> np.ndarray:
    """Average squares of pixels; incomplete squares at the far edges are dropped.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)``; a square with a NaN becomes NaN.
    factor : int
        Side of a square.

    Returns
    -------
    numpy.ndarray
        ``(n, ny // factor, nx // factor)`` float64.
    """
    count, ny, nx = (len(planes), *(size // factor for size in planes.shape[1:]))
    cut = planes[:, : ny * factor, : nx * factor]
    lines = cut.reshape(count, ny, factor, nx * factor).sum(axis=2, dtype=np.float64)
    return lines.reshape(count, ny, nx, factor).sum(axis=3) / factor**2


def reduced(rows: Rows, factor: int, on_strip: OnStrip | None = None) -> np.ndarray:
    """Average squares of pixels as `shrunk` does, while the rows are read.

    Parameters
    ----------
    rows : Rows
    factor : int
        Side of a square.
    on_strip : callable, optional
        Gets the number of the first row and all planes ``(n, m, nx)`` of each strip, rows that
        fill no square included.

    Returns
    -------
    numpy.ndarray
        ``(n, ny // factor, nx // factor)`` float64.
    """
    count, ny, nx = rows.shape
    small = np.empty((count, ny // factor, nx // factor))
    step = factor * max(1, _STRIP_PX // (factor * nx))
    for start in range(0, ny, step):
        planes = rows(start, min(start + step, ny))
        if on_strip is not None:
            on_strip(start, planes)
        part = shrunk(planes, factor)
        small[:, start // factor : start // factor + part.shape[1]] = part
    return small


def reduced_light(display: Pixels, factor: int) -> np.ndarray:
    """Average the light of squares of pixels of a finished picture, while its rows are read.

    Returns
    -------
    numpy.ndarray
        ``(3, ny // factor, nx // factor)`` float64, linear light from 0 to 1.
    """
    return reduced(_Looked(display, light_of_levels()), factor)


def reduced_display(display: Pixels, factor: int) -> np.ndarray:
    """Average squares of display values of a finished picture, while its rows are read.

    Returns
    -------
    numpy.ndarray
        ``(3, ny // factor, nx // factor)`` float64 display values from 0 to 1.
    """
    return reduced(_Looked(display, np.arange(_FULL + 1) / _FULL), factor)


def reduced_without_gaps(rows: Rows, factor: int) -> np.ndarray:
    """Average squares of pixels of a linear image whose gaps are filled as by `inpaint_gaps`.

    Only a mask and the surroundings of gaps are held. Whether a large gap is the core of a star,
    which is filled, is judged by the sky in a sample of the rows.

    Parameters
    ----------
    rows : Rows
        float32, NaN for no data.
    factor : int
        Side of a square.

    Returns
    -------
    numpy.ndarray
        ``(n, ny // factor, nx // factor)`` float64; NaN where a square has no data in a pixel.
    """
    _, ny, nx = rows.shape
    missing = np.zeros((ny, nx), dtype=bool)

    def look(start: int, planes: np.ndarray) -> None:
        known = np.isfinite(planes).all(axis=0)
        if not known.all():
            np.logical_not(known, out=missing[start : start + len(known)])

    small = reduced(rows, factor, look)
    patches = [
        _patch(rows, down, across)
        for down, across in pieces_of(missing).windows()
        if min(down.start, across.start) > 0 and down.stop < ny and across.stop < nx
    ]
    touched = {
        line
        for patch in patches
        for line in range(patch.top // factor, (patch.bottom - 1) // factor + 1)
    }
    for line in sorted(touched & set(range(small.shape[1]))):
        span = (line * factor, (line + 1) * factor)
        planes = rows(*span)
        for patch in patches:
            patch.put_into(planes, *span)
        small[:, line] = shrunk(planes, factor)[:, 0]
    return small


@dataclass(frozen=True)
class _Looked:
    """A finished picture with each value looked up in a table."""

    display: Pixels
    table: np.ndarray

    @property
    def shape(self) -> tuple[int, int, int]:
        return 3, *self.display.shape

    def __call__(self, start: int, stop: int) -> np.ndarray:
        return np.moveaxis(self.table[self.display.rows(start, stop)], -1, 0)


@dataclass(frozen=True)
class _Patch:
    """The surroundings of a gap, ``(n, ny, nx)``, with what it is filled with."""

    top: int
    left: int
    planes: np.ndarray

    @property
    def bottom(self) -> int:
        """Row after the last one."""
        return self.top + self.planes.shape[1]

    def put_into(self, planes: np.ndarray, start: int, stop: int) -> None:
        """Fill the gap in rows of the image, in place."""
        first, last = max(start, self.top), min(stop, self.bottom)
        if first < last:
            columns = slice(self.left, self.left + self.planes.shape[2])
            place = planes[:, first - start : last - start, columns]
            mine = self.planes[:, first - self.top : last - self.top]
            missing = ~np.isfinite(place).all(axis=0)
            place[:, missing] = mine[:, missing]


def _patch(rows: Rows, down: slice, across: slice) -> _Patch:
    """Read a gap with the pixels around it, and fill it."""
    left = across.start - 1
    around = rows(down.start - 1, down.stop + 1)[:, :, left : across.stop + 1]
    planes, _ = inpaint_gaps(around, core_levels=lambda: levels_of_light(_sample(rows)))
    return _Patch(down.start - 1, left, planes)


def _sample(rows: Rows) -> np.ndarray:
    """Return evenly spaced rows of whole cells, about 4 million pixels of a plane."""
    _, ny, nx = rows.shape
    step = CELL_PX * max(1, round(ny * nx / _SAMPLE_PX))
    starts = range(0, max(1, ny - CELL_PX + 1), step)
    return np.concatenate([rows(y, min(y + CELL_PX, ny)) for y in starts], axis=1)


def shrunk_to(pixels: Pixels, longest_px: int | None) -> Pixels:
    """Make a picture smaller by averaging its light over the area of each new pixel.

    Parameters
    ----------
    pixels : Pixels
    longest_px : int or None
        Pixels of the longer side; pictures are never enlarged, and None leaves them as they are.

    Returns
    -------
    Pixels
    """
    ny, nx = pixels.shape
    if longest_px is None or longest_px >= max(ny, nx):
        return pixels
    scale = longest_px / max(ny, nx)
    size = max(1, round(nx * scale)), max(1, round(ny * scale))
    light_of = light_of_levels().astype(np.float32)
    result = np.empty((size[1], size[0], 3), dtype=np.uint16)
    light = np.empty((ny, nx), dtype=np.float32)
    for index in range(3):
        for start in range(0, ny, _ROWS):
            rows = pixels.rows(start, min(start + _ROWS, ny))
            light[start : start + len(rows)] = light_of[rows[..., index]]
        small = Image.fromarray(light).resize(size, Image.Resampling.BOX)
        display = encode(np.clip(np.asarray(small), 0, 1))
        result[..., index] = np.rint(display * _FULL).astype(np.uint16)
    return PixelArray(result)
