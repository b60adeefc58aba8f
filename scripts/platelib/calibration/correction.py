"""The correction by masters, as a straight line for each pixel.

What masters do to a pixel is a straight line in its count: ``(raw - bias - scale dark) / flat`` is
``offset + factor raw``. The two planes are worked out once for all subs that are at hand; they are
half of what the masters are, or less, and their bytes are in order.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from platelib.numerics.kernels import kernel, read_only

_NO_PLANE = np.zeros((0, 0), dtype=np.uint32)
_NO_MASK = np.zeros((0, 0), dtype=np.uint8)


@dataclass(frozen=True)
class Correction:
    """The offset and the divisor for raw frames of one setting.

    Planes are ``(ny, nx)`` float32 in either byte order, so that they may be mapped files: nothing
    of them is copied.

    Attributes
    ----------
    bias, dark : numpy.ndarray or None
        ADU, subtracted.
    flat : numpy.ndarray or None
        Response around 1; NaN where it is unusable.
    dark_scale : float
        Factor of ``dark``.
    masks : tuple of numpy.ndarray
        At most two ``(ny, nx)`` uint8, non-zero where a pixel is not to be used.
    zero : float
        ADU: the level of no electrons, from which photon noise counts. The pattern of the bias,
        an ADU or so, does not matter beside the read noise.
    variance : float
        ADU^2: typical variance of what is subtracted.
    level : float
        ADU, subtracted where there is no bias: a pedestal that the camera's software added.
    """

    bias: np.ndarray | None = None
    dark: np.ndarray | None = None
    flat: np.ndarray | None = None
    dark_scale: float = 1.0
    masks: tuple[np.ndarray, ...] = ()
    zero: float = 0.0
    variance: float = 0.0
    level: float = 0.0

    def rows(self, start: int, stop: int) -> "Correction":
        """Return the part of rows ``start`` to ``stop``, without copying."""
        return replace(
            self,
            bias=None if self.bias is None else self.bias[start:stop],
            dark=None if self.dark is None else self.dark[start:stop],
            flat=None if self.flat is None else self.flat[start:stop],
            masks=tuple(mask[start:stop] for mask in self.masks),
        )

    @property
    def shapes(self) -> set[tuple[int, ...]]:
        """Shapes of the present planes."""
        planes = (self.bias, self.dark, self.flat, *self.masks)
        return {plane.shape for plane in planes if plane is not None}


@dataclass(frozen=True)
class CalibrationLines:
    """The effect of a correction on the pixels of a window of the frame.

    Attributes
    ----------
    offset, factor : numpy.ndarray
        ``(ny, nx)`` float32: from a raw count in ADU to one that fell through the optics; the
        factor is NaN where a pixel is not to be used.
    top, left : int
        Place of the window in the frame.
    zero, variance : float
        Those of the correction.
    """

    offset: np.ndarray
    factor: np.ndarray
    top: int = 0
    left: int = 0
    zero: float = 0.0
    variance: float = 0.0

    def holds(self, rows: tuple[int, int], columns: tuple[int, int]) -> bool:
        """Return whether some rows and columns of the frame, from and to, lie in the window."""
        ny, nx = self.offset.shape
        return (
            self.top <= rows[0]
            and rows[1] <= self.top + ny
            and self.left <= columns[0]
            and columns[1] <= self.left + nx
        )


def lines_of(
    correction: Correction,
    rows: tuple[int, int],
    columns: tuple[int, int],
    memory: np.ndarray | None = None,
) -> CalibrationLines:
    """Work out the lines that a correction amounts to.

    Parameters
    ----------
    correction : Correction
    rows, columns : tuple of int
        The window: first of the frame and the one after the last.
    memory : numpy.ndarray, optional
        Float32 with one dimension, to hold the two planes.

    Returns
    -------
    CalibrationLines

    Raises
    ------
    ValueError
        If the window is not in the planes.
    """
    shape = (rows[1] - rows[0], columns[1] - columns[0])
    size = shape[0] * shape[1]
    if memory is None:
        memory = np.empty(2 * size, dtype=np.float32)
    offset, factor = memory[:size].reshape(shape), memory[size : 2 * size].reshape(shape)
    if any(ny < rows[1] or nx < columns[1] for ny, nx in correction.shapes):
        msg = f"window of rows {rows} and columns {columns} in planes of {min(correction.shapes)}"
        raise ValueError(msg)
    part = correction.rows(*rows)
    mask_a, mask_b = (*part.masks, _NO_MASK, _NO_MASK)[:2]
    _fill(
        _words_of(part.bias),
        _words_of(part.dark),
        _words_of(part.flat),
        (read_only(mask_a), read_only(mask_b)),
        np.float32(correction.dark_scale),
        np.float32(correction.level),
        columns[0],
        np.zeros((3, shape[1]), dtype=np.uint32),
        offset,
        factor,
    )
    return CalibrationLines(
        offset, factor, rows[0], columns[0], correction.zero, correction.variance
    )


class _Words(NamedTuple):
    """A float32 plane in its stored byte order, and whether that order is swapped."""

    words: np.ndarray
    reversed_bytes: bool


def _words_of(plane: np.ndarray | None) -> _Words:
    """Return the words of a plane; of none, no words."""
    if plane is None:
        return _Words(read_only(_NO_PLANE), False)
    array = np.asarray(plane)
    if array.dtype.kind != "f" or array.dtype.itemsize != 4:
        array = array.astype(np.float32)
    return _Words(read_only(array.view(np.uint32)), not array.dtype.isnative)


@kernel
def _load(plane, row, left, out):
    """Copy part of a row of a plane in native byte order; nothing if the plane is missing."""
    if plane.words.shape[0] == 0:
        return
    line = plane.words[row, left : left + out.size]
    if plane.reversed_bytes:
        for x in range(out.size):
            v = line[x]
            out[x] = (
                (v >> np.uint32(24))
                | ((v >> np.uint32(8)) & np.uint32(0xFF00))
                | ((v << np.uint32(8)) & np.uint32(0xFF0000))
                | (v << np.uint32(24))
            )
    else:
        for x in range(out.size):
            out[x] = line[x]


@kernel
def _fill(bias, dark, flat, masks, dark_scale, level, left, rows, offset, factor):
    """Convert the subtracted frame and the flat to lines; ``rows`` is zeroed working memory."""
    ny, nx = offset.shape
    planes = rows.view(np.float32)
    planes[0] = level
    planes[2] = 1.0
    subtracted, darkness, response = planes[0], planes[1], planes[2]
    for y in range(ny):
        _load(bias, y, left, rows[0])
        _load(dark, y, left, rows[1])
        _load(flat, y, left, rows[2])
        zero, slope = offset[y], factor[y]
        for x in range(nx):
            inverse = np.float32(1.0) / response[x]
            slope[x] = inverse
            zero[x] = -(subtracted[x] + dark_scale * darkness[x]) * inverse
        for mask in masks:
            if mask.shape[0]:
                _leave_out(slope, mask[y, left : left + nx])


@kernel
def _leave_out(row, mask):
    for x in range(row.size):
        row[x] = np.float32(np.nan) if mask[x] else row[x]
