"""Calibrating many subs by the same masters, for measuring them.

What masters do to a pixel is a straight line in its count: ``(raw - bias - scale dark) / flat`` is
``offset + factor raw``. The two planes are worked out once for all subs that are at hand, and are a
third of what the masters are; the variance of each pixel, which measuring needs nowhere, is left
away.
"""

from dataclasses import dataclass

import numpy as np

from platelib.calibration import BAD, SATURATED, Correction, Detector
from platelib.kernels import kernel

_FITS_WORDS = np.dtype(">i2")
_NO_MASK = np.zeros((0, 0), dtype=np.uint8)


@dataclass(frozen=True)
class CalibrationLines:
    """Lines of some rows.

    Attributes
    ----------
    offset, factor : numpy.ndarray
        ``(ny, nx)`` float32: from a raw count in ADU to one that fell through the optics; the
        factor is NaN where a pixel is not to be used.
    """

    offset: np.ndarray
    factor: np.ndarray

    @classmethod
    def empty(cls, shape: tuple[int, int]) -> "CalibrationLines":
        """Return lines with any content, to be filled."""
        return cls(np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32))

    def rows(self, start: int, stop: int) -> "CalibrationLines":
        """Return the part of rows ``start`` to ``stop``, without copying."""
        return CalibrationLines(self.offset[start:stop], self.factor[start:stop])


def fill_lines(lines: CalibrationLines, correction: Correction) -> None:
    """Work out the lines that a correction amounts to.

    Parameters
    ----------
    lines : CalibrationLines
        Overwritten.
    correction : Correction
        Planes of the same shape.
    """
    offset, factor = lines.offset, lines.factor
    offset[:] = correction.level if correction.bias is None else correction.bias
    if correction.dark is not None:
        factor[:] = correction.dark
        factor *= np.float32(correction.dark_scale)
        offset += factor
    factor[:] = 1 if correction.flat is None else correction.flat
    mask_a, mask_b = (*correction.masks, _NO_MASK, _NO_MASK)[:2]
    _fill(offset, factor, _read_only(mask_a), _read_only(mask_b))


def along_lines(
    raw: np.ndarray,
    lines: CalibrationLines,
    detector: Detector,
    out: tuple[np.ndarray, np.ndarray] | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Calibrate raw counts.

    Parameters
    ----------
    raw : numpy.ndarray
        ``(ny, nx)`` float32, ADU; or ``>i2``, the words of unsigned 16-bit FITS data, to which
        32768 is to be added.
    lines : CalibrationLines
        Of the same shape.
    detector : Detector
    out : tuple of numpy.ndarray, optional
        Where the result goes.

    Returns
    -------
    values : numpy.ndarray
        ``(ny, nx)`` float32: electrons where the gain is known, else ADU; NaN in bad pixels. They
        are those of `platelib.calibration.calibrate` to the rounding of the count.
    mask : numpy.ndarray
        ``(ny, nx)`` uint8: 1 bad, 2 saturated.
    """
    if out is None:
        out = np.empty(raw.shape, dtype=np.float32), np.empty(raw.shape, dtype=np.uint8)
    gain = np.float32(detector.gain if detector.gain > 0 else 1.0)
    limit = np.float32(detector.saturation)
    run = _words_along_lines if raw.dtype == _FITS_WORDS else _values_along_lines
    run(
        _read_only(raw.view(np.uint16) if raw.dtype == _FITS_WORDS else raw),
        lines.offset,
        lines.factor,
        gain,
        limit,
        *out,
    )
    return out


def _read_only(array: np.ndarray) -> np.ndarray:
    """Return a view as mapped files give it: kernels are compiled for these, and for no others."""
    view = array.view()
    view.flags.writeable = False
    return view


@kernel
def _fill(offset, factor, mask_a, mask_b):
    """Turn what is subtracted and the flat into lines."""
    for y in range(offset.shape[0]):
        zero, slope = offset[y], factor[y]
        for x in range(zero.size):
            slope[x] = np.float32(1.0) / slope[x]
            zero[x] = -zero[x] * slope[x]
        if mask_a.shape[0]:
            _mask(slope, mask_a[y])
        if mask_b.shape[0]:
            _mask(slope, mask_b[y])


@kernel
def _mask(row, mask):
    for x in range(row.size):
        row[x] = np.float32(np.nan) if mask[x] else row[x]


@kernel
def _words_along_lines(words, offset, factor, gain, saturation, values, mask):
    counts = np.empty(words.shape[1], dtype=np.float32)
    for y in range(words.shape[0]):
        line = words[y]
        for x in range(counts.size):
            v = line[x]
            swapped = (v >> np.uint16(8)) | (v << np.uint16(8))
            counts[x] = np.float32(np.uint16(swapped ^ np.uint16(0x8000)))
        _row_along_lines(counts, offset[y], factor[y], gain, saturation, values[y], mask[y])


@kernel
def _values_along_lines(raw, offset, factor, gain, saturation, values, mask):
    for y in range(raw.shape[0]):
        _row_along_lines(raw[y], offset[y], factor[y], gain, saturation, values[y], mask[y])


@kernel
def _row_along_lines(counts, offset, factor, gain, saturation, values, mask):
    for x in range(counts.size):
        value = (offset[x] + factor[x] * counts[x]) * gain
        values[x] = value
        flag = np.uint8(0) if value == value else np.uint8(BAD)
        mask[x] = flag | (np.uint8(SATURATED) if counts[x] >= saturation else np.uint8(0))


def warm_up() -> None:
    """Compile the kernels of this module."""
    raw = np.ones((4, 5), dtype=np.float32)
    lines = CalibrationLines.empty(raw.shape)
    fill_lines(lines, Correction())
    along_lines(raw, lines, Detector(0.0, 0.0, np.inf))
    along_lines(np.ones((4, 5), dtype=_FITS_WORDS), lines, Detector(0.0, 0.0, np.inf))
