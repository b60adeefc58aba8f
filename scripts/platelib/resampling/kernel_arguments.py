"""Arguments of the resampling kernels, as named tuples."""

from typing import Any, NamedTuple

import numpy as np


class Source(NamedTuple):
    """The part of a raw frame to resample.

    Attributes
    ----------
    image, variance : numpy.ndarray
        ``(m, n)`` float32.
    mask : numpy.ndarray
        ``(m, n)`` uint8, see `platelib.numerics.mask_bits`.
    first_row, first_column : int
        Where it lies in the raw frame.
    raw_ny, raw_nx : int
        Size of the raw frame.
    """

    image: np.ndarray
    variance: np.ndarray
    mask: np.ndarray
    first_row: int
    first_column: int
    raw_ny: int
    raw_nx: int


class Places(NamedTuple):
    """The positions of the samples of a chunk in the image.

    Attributes
    ----------
    pixel : numpy.ndarray
        ``(2, CHUNK)`` int32: column and row of the pixel that each sample lies in.
    fraction : numpy.ndarray
        ``(2, CHUNK + VECTOR)`` float32: where in it, across and down.
    outside : numpy.ndarray
        ``(CHUNK,)`` uint8: marks of samples that lie outside of the frame.
    words : numpy.ndarray
        ``(CHUNK / 8,)`` uint64: what ends after which sample, see `_find_breaks`; a byte a sample.
    """

    pixel: np.ndarray
    fraction: np.ndarray
    outside: np.ndarray
    words: np.ndarray


class Work(NamedTuple):
    """The workspace for sampling a chunk.

    Attributes
    ----------
    runs : numpy.ndarray
        ``(CHUNK, 3)`` int32: see `_find_runs`.
    fractions, sums : numpy.ndarray
        ``(2, ROOM)`` float32: places of samples in their pixels; their values and variances.
    pixels, noises : numpy.ndarray
        ``(6, ROOM)`` and ``(4, ROOM)`` float32: pixels of short runs and their variances.
    weights : numpy.ndarray
        ``(2, 6 STRIP)`` float32.
    sharp : tuple
        From `platelib.resampling.flux_limiter.room_for_sharp`.
    marks : numpy.ndarray
        ``(ROOM,)`` uint8.
    """

    runs: np.ndarray
    fractions: np.ndarray
    pixels: np.ndarray
    noises: np.ndarray
    weights: np.ndarray
    sums: np.ndarray
    sharp: Any
    marks: np.ndarray


class Tables(NamedTuple):
    """Lookup tables of resampling.

    Attributes
    ----------
    polynomials : numpy.ndarray
        `platelib.resampling.lanczos.POLYNOMIALS`.
    steps, columns : numpy.ndarray
        Distances of samples from the middle of their span, and of columns of the frame.
    """

    polynomials: np.ndarray
    steps: np.ndarray
    columns: np.ndarray


class Tile(NamedTuple):
    """The output: ``(ny, nx)`` each; ``missing`` is empty if not requested."""

    values: np.ndarray
    variances: np.ndarray
    missing: np.ndarray


class Workspace(NamedTuple):
    """The workspace of resampling.

    Attributes
    ----------
    polynomials : tuple of numpy.ndarray
        Of a row of the grid: places in the frame, sky, and one of them about a place.
    chunk : tuple of numpy.ndarray
        Levels, marks and backward lines of a chunk.
    lines, each : tuple
        From `room_for_lines` and `room_for_each`.
    """

    polynomials: Any
    chunk: Any
    lines: Any
    each: Any
