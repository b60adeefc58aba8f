"""Robust mean of calibration frames of one kind."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri

from platelib.calibration.clipped_mean import clipped_mean
from platelib.calibration.stack_sums import Stack, typical_variances
from platelib.numerics.fits_words import FITS_WORDS, WORDS_ZERO, put_in_order
from platelib.numerics.kernels import read_only

_CACHED = 3_000_000
"""Bytes of samples worked on at a time, so that they stay near the processor."""
_LINES = 8
"""Rows of a block that tell its typical spread."""
_NO_PLANE = np.zeros((0, 0), dtype=np.float32)
_NO_FACTORS = np.zeros(0, dtype=np.float32)


@dataclass(frozen=True)
class Combined:
    """A part of a master.

    Attributes
    ----------
    mean : numpy.ndarray
        ``(ny, nx)`` float32, mean of the kept samples; NaN where there are none.
    variance : numpy.ndarray
        ``(ny, nx)`` float32, variance of this mean from the scatter of the kept samples; 0 where
        one is kept, NaN where none is.
    count : numpy.ndarray
        ``(ny, nx)`` int16, samples kept.
    """

    mean: np.ndarray
    variance: np.ndarray
    count: np.ndarray

    @classmethod
    def of_shape(cls, shape: tuple[int, int]) -> "Combined":
        """Return planes to be filled."""
        return cls(
            np.empty(shape, dtype=np.float32),
            np.empty(shape, dtype=np.float32),
            np.empty(shape, dtype=np.int16),
        )

    def rows(self, start: int, stop: int) -> "Combined":
        """Return the part of rows ``start`` to ``stop``, without copying."""
        return Combined(self.mean[start:stop], self.variance[start:stop], self.count[start:stop])


def combine_block(
    frames: Sequence[np.ndarray],
    clip_sigma: float,
    offset: np.ndarray | None = None,
    factors: Sequence[float] | None = None,
    out: Combined | None = None,
) -> Combined:
    """Combine a block of calibration frames after subtracting an offset and scaling each.

    Parameters
    ----------
    frames : sequence of numpy.ndarray
        ``n`` arrays ``(ny, nx)``: values as float32, NaN = no data; or big-endian 16-bit words of
        a FITS file, to which 32768 is added.
    clip_sigma : float
        Samples further from the median than this are left out, from three frames on. The spread is
        the median absolute deviation of the pixel's own samples, or that of the typical pixel
        where it is larger: the few samples of one pixel do not tell their spread. Typical is what
        some rows of the block show, each ``CELL`` columns by themselves.
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
    sigma, floors = np.inf, np.ones(1)
    if n >= 3:
        sigma, floors = clip_sigma, _typical_spreads(frames, offset, factors)
    height = max(1, _CACHED // (n * nx * frames[0].itemsize))
    for start, stack in _stacks(frames, offset, factors, slice(0, ny), height):
        part = out.rows(start, start + stack.samples.shape[1])
        clipped_mean(stack, sigma, floors, part.mean, part.variance, part.count)
    return out


def _stacks(
    frames: Sequence[np.ndarray],
    offset: np.ndarray | None,
    factors: Sequence[float] | None,
    rows: slice,
    height: int,
) -> Iterator[tuple[int, Stack]]:
    """Yield bands of rows of the frames, in memory reused for each band."""
    ny, nx = frames[0].shape
    words = all(frame.dtype == FITS_WORDS for frame in frames)
    scales = _NO_FACTORS if factors is None else np.asarray(factors, dtype=np.float32)
    lines = range(*rows.indices(ny))
    size = len(frames) * nx
    memory = np.empty(size * min(height, len(lines)), dtype=np.int16 if words else np.float32)
    for k in range(0, len(lines), height):
        part = lines[k : k + height]
        here = slice(part.start, part.stop, part.step)
        samples = memory[: size * len(part)].reshape(len(frames), len(part), nx)
        for frame, plane in zip(frames, samples, strict=True):
            if words:
                put_in_order(read_only(frame[here].view(np.uint16)), plane)
                continue
            plane[...] = frame[here]
            if frame.dtype == FITS_WORDS:
                plane += WORDS_ZERO
        below = _NO_PLANE if offset is None else np.ascontiguousarray(offset[here], np.float32)
        zero = np.float32(WORDS_ZERO if words else 0.0)
        yield k, Stack(samples, zero, below, scales)


def _typical_spreads(
    frames: Sequence[np.ndarray], offset: np.ndarray | None, factors: Sequence[float] | None
) -> np.ndarray:
    """Standard deviation of the median pixel of each cell, freed of the bias of that median."""
    ny, freedom = frames[0].shape[0], len(frames) - 1
    step = max(1, ny // _LINES)
    lines = slice(step // 2, ny, step)
    ((_, stack),) = _stacks(frames, offset, factors, lines, ny)
    median = float(f"{chdtri(freedom, 0.5):.10g}")  # of chi-square, without digits of rounding
    return np.sqrt(typical_variances(stack) * freedom / median)
