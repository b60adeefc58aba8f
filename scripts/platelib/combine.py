"""Robust mean of calibration frames that all show the same thing."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincinv

from platelib.averaging import largest
from platelib.clipping import INVALID, KEPT, Rejection, reject
from platelib.kernels import kernel

_ROUNDS = 3
_STRIP = 512
_CACHED = 4_000_000
"""Bytes of samples worked on at a time, so that they stay near the processor."""
_WORDS = np.dtype(">i2")
_NO_PLANE = np.zeros((0, 0), dtype=np.float32)


@dataclass(frozen=True)
class Combined:
    """A block of a master.

    Attributes
    ----------
    mean : numpy.ndarray
        ``(ny, nx)`` float32.
    scatter : numpy.ndarray
        ``(ny, nx)`` float32, standard deviation of the kept samples of each pixel about their
        mean; 0 where one was kept.
    count : numpy.ndarray
        ``(ny, nx)`` int16, samples kept.
    struck : numpy.ndarray
        ``(ny, nx)`` int16, samples rejected.
    """

    mean: np.ndarray
    scatter: np.ndarray
    count: np.ndarray
    struck: np.ndarray

    @classmethod
    def of_shape(cls, shape: tuple[int, int]) -> "Combined":
        """Return planes to be filled."""
        return cls(
            *(np.empty(shape, dtype=np.float32) for _ in range(2)),
            *(np.empty(shape, dtype=np.int16) for _ in range(2)),
        )

    def rows(self, start: int, stop: int) -> "Combined":
        """Return the part of rows ``start`` to ``stop``, without copying."""
        planes = (self.mean, self.scatter, self.count, self.struck)
        return Combined(*(plane[start:stop] for plane in planes))

    @property
    def variance(self) -> np.ndarray:
        """Variance of the mean, ``(ny, nx)`` float32."""
        variance = self.scatter * self.scatter
        variance /= np.maximum(self.count, 1)
        return variance


def _load(raw: np.ndarray, offset: np.ndarray | None, factor: float, samples: np.ndarray) -> None:
    """Fill ``samples`` with ``(raw - offset) factor`` in single precision."""
    plane = _NO_PLANE if offset is None else np.ascontiguousarray(offset, dtype=np.float32)
    if raw.dtype == _WORDS:
        _load_words(np.ascontiguousarray(raw).view(np.uint16), plane, np.float32(factor), samples)
    else:
        _load_values(np.ascontiguousarray(raw), plane, np.float32(factor), samples)


@kernel
def _load_words(words, offset, factor, samples):
    for y in range(len(words)):
        row, out = words[y], samples[y]
        for x in range(row.size):
            word = row[x]
            swapped = (word >> np.uint16(8)) | (word << np.uint16(8))
            out[x] = np.float32(np.uint16(swapped ^ np.uint16(0x8000)))
        _adjust(out, offset, y, factor)


@kernel
def _load_values(values, offset, factor, samples):
    for y in range(len(values)):
        row, out = values[y], samples[y]
        for x in range(row.size):
            out[x] = row[x]
        _adjust(out, offset, y, factor)


@kernel
def _adjust(out, offset, y, factor):
    if offset.size:
        line = offset[y]
        for x in range(out.size):
            out[x] = (out[x] - line[x]) * factor
    elif factor != np.float32(1.0):
        for x in range(out.size):
            out[x] *= factor


def combine_block(
    frames: Sequence[np.ndarray],
    clip_sigma: float,
    offset: np.ndarray | None = None,
    factors: Sequence[float] | None = None,
    out: Combined | None = None,
) -> Combined:
    """Combine a block of calibration frames after taking off an offset and scaling each.

    Parameters
    ----------
    frames : sequence of numpy.ndarray
        ``n`` arrays ``(ny, nx)``: values as float32, NaN = no data; or big-endian 16-bit words of
        a FITS file, to which 32768 is added.
    clip_sigma : float
        Samples further from the median than this are left out, from three frames on. The spread is
        the median absolute deviation of the pixel's own samples, or that of the block's typical
        pixel where it is larger: the few samples of one pixel do not tell their spread.
    offset : numpy.ndarray, optional
        ``(ny, nx)``, subtracted.
    factors : sequence of float, optional
        ``n`` factors, applied after the offset.
    out : Combined, optional
        Planes ``(ny, nx)`` to fill.

    Returns
    -------
    Combined
        The filled planes.
    """
    n, (ny, nx) = len(frames), frames[0].shape
    out = Combined.of_shape((ny, nx)) if out is None else out
    scales = [1.0] * n if factors is None else factors
    height = max(2, _CACHED // (n * nx * 4))
    rejection = Rejection("none")
    if n >= 3:
        floor = _typical_spread(frames, offset, scales, height)
        rejection = Rejection("mad", clip_sigma, clip_sigma, _ROUNDS, floor=floor)
    marks = np.empty((n, min(height, ny), nx), dtype=np.uint8)
    ones = np.ones(n)
    for start, samples in _samples(frames, offset, scales, height):
        stop = start + samples.shape[1]
        flags = marks if samples.shape == marks.shape else np.empty(samples.shape, dtype=np.uint8)
        reject(samples, samples, ones, 0.0, rejection, out=flags)
        part = out.rows(start, stop)
        _combine(samples, flags, part.mean, part.scatter, part.count, part.struck)
    return out


def _samples(
    frames: Sequence[np.ndarray],
    offset: np.ndarray | None,
    factors: Sequence[float],
    height: int,
    step: int = 1,
) -> Iterator[tuple[int, np.ndarray]]:
    """Yield samples of so many rows at a time, ``(n, rows, nx)`` float32, overwritten each time."""
    n, (ny, nx) = len(frames), frames[0].shape
    samples = np.empty((n, 0, nx), dtype=np.float32)
    for start in range(0, ny, height * step):
        rows = slice(start, min(start + height * step, ny), step)
        size = len(range(rows.start, rows.stop, step))
        if size != samples.shape[1]:
            samples = np.empty((n, size, nx), dtype=np.float32)
        below = None if offset is None else offset[rows]
        for frame, factor, plane in zip(frames, factors, samples, strict=True):
            _load(frame[rows], below, factor, plane)
        yield start, samples


@kernel
def _combine(frames, flags, mean, scatter, count, struck):
    n, ny, nx = frames.shape
    total, squares = np.empty(_STRIP), np.empty(_STRIP)
    missing, gone = np.empty(_STRIP, dtype=np.int32), np.empty(_STRIP, dtype=np.int32)
    middle = np.empty(_STRIP, dtype=np.float32)
    for y in range(ny):
        for left in range(0, nx, _STRIP):
            width = min(_STRIP, nx - left)
            here = slice(left, left + width)
            for p in range(width):
                total[p] = squares[p] = 0.0
                missing[p] = gone[p] = 0
            for i in range(n):
                _sum(frames[i, y, here], flags[i, y, here], total, missing, gone)
            for p in range(width):
                kept = n - missing[p]
                middle[p] = total[p] / kept if kept else np.nan
                mean[y, left + p] = middle[p]
                count[y, left + p] = kept
                struck[y, left + p] = gone[p]
            for i in range(n):
                _sum_squares(frames[i, y, here], flags[i, y, here], middle, squares)
            for p in range(width):
                freedom = max(n - missing[p] - 1, 1)
                scatter[y, left + p] = np.sqrt(squares[p] / freedom)


@kernel
def _sum(row, marks, total, missing, gone):
    if largest(marks) == KEPT:
        for p in range(row.size):
            total[p] += row[p]
        return
    none, one = np.int32(0), np.int32(1)
    for p in range(row.size):
        total[p] += row[p] if marks[p] == KEPT else np.float32(0.0)
    for p in range(row.size):
        missing[p] += one if marks[p] != KEPT else none
    for p in range(row.size):
        gone[p] += one if marks[p] > INVALID else none


@kernel
def _sum_squares(row, marks, middle, squares):
    if largest(marks) == KEPT:
        for p in range(row.size):
            distance = row[p] - middle[p]
            squares[p] += distance * distance
        return
    for p in range(row.size):
        distance = row[p] - middle[p]
        squares[p] += distance * distance if marks[p] == KEPT else np.float32(0.0)


def _typical_spread(
    frames: Sequence[np.ndarray],
    offset: np.ndarray | None,
    factors: Sequence[float],
    height: int,
) -> float:
    """Standard deviation of the median pixel, freed of the bias of the median of few samples.

    Every second pixel of every second row takes part.
    """
    ny, nx = frames[0].shape
    spreads = np.empty(((ny + 1) // 2, (nx + 1) // 2))
    for start, samples in _samples(frames, offset, factors, height, step=2):
        _variances(samples, spreads[start // 2 : start // 2 + samples.shape[1]])
    known = spreads[np.isfinite(spreads)]
    if not known.size:
        return 0.0
    freedom = len(frames) - 1
    median_of_chi_square = 2 * gammaincinv(freedom / 2, 0.5)
    return float(np.sqrt(np.median(known) * freedom / median_of_chi_square))


@kernel
def _variances(frames, spreads):
    """Variance of every second pixel of each row."""
    n = len(frames)
    ny, nx = spreads.shape
    mean = np.empty(nx)
    for y in range(ny):
        square = spreads[y]
        for x in range(nx):
            mean[x] = square[x] = 0.0
        for i in range(n):
            row = frames[i, y]
            for x in range(nx):
                mean[x] += row[2 * x]
        for x in range(nx):
            mean[x] /= n
        for i in range(n):
            row = frames[i, y]
            for x in range(nx):
                distance = row[2 * x] - mean[x]
                square[x] += distance * distance
        for x in range(nx):
            square[x] /= n - 1


def warm_up() -> None:
    """Compile the kernels of this module."""
    words = [np.zeros((4, 5), dtype=_WORDS)] * 3
    combine_block(words, 4.0)
    combine_block([np.ones((4, 5), dtype=np.float32)] * 3, 4.0)
