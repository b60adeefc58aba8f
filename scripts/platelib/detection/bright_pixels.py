"""The brightest pixels of a frame with bright neighbours, found in two fast passes over its rows.

The highest value of each row tells which rows are worth a second look.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from platelib.calibration.saturation_level import NO_PIXELS, TOP_RANK, Brightest, PileUp
from platelib.numerics.constants import MAD_TO_SIGMA
from platelib.numerics.fits_words import FITS_WORDS, WORDS_ZERO, count_of
from platelib.numerics.kernels import kernel, read_only
from platelib.numerics.medians import median_of

_BAND_ROWS, _BLOCK = 128, 64
_SAMPLE_ROWS, _SAMPLE_COLUMN_STEP = 101, 7
_MOST_PIXELS = 200_000
_NEIGHBOUR_SHARE = 0.5
_FIRST_SHARE, _ENOUGH_SHARE = 0.45, 0.65
_ROUNDS = 4

_highest: Callable[..., Any] = np.fmax.reduce
"""Highest value that is known; versions of numpy differ in the types that they tell of it."""


def brightest_pixels(
    read: Callable[[int, int], np.ndarray], shape: tuple[int, int], step: float = 1.0
) -> Brightest:
    """Collect the brightest pixels of a frame, except isolated ones.

    Parameters
    ----------
    read : callable
        Returns rows of the frame, from and to: ``(n, nx)`` float32 in ADU, NaN for no data, or
        ``>i2``, the words of unsigned 16-bit FITS data, to which 32768 is to be added.
    shape : tuple of int
        ``(ny, nx)``.
    step : float
        Difference of neighbouring values in the file, ADU.

    Returns
    -------
    Brightest
        Pixels of which two of the eight neighbours, or more, reach half of the light; none on the
        edge of the frame. They go down to half of the brightest of them, or nearly so; of more than
        200,000 these are the first in the order of rows.
    """
    tops, sample = _maxima_and_sample(read, shape)
    known = sample[np.isfinite(sample)]
    if not known.size:
        return NO_PIXELS
    sky = median_of(known)
    noise = MAD_TO_SIGMA * median_of(np.abs(known - sky))
    highest = float(_highest(tops))
    if sky == highest:
        spread = float(np.quantile(known, 0.1)) < 0.9 * sky
        covered = PileUp(sky, sky, int(np.count_nonzero(known == sky))) if spread else None
        return replace(NO_PIXELS, sky=sky, noise=noise, step=step, covered=covered)
    for _ in range(_ROUNDS):
        limit = sky + _FIRST_SHARE * (highest - sky)
        found = _collected(read, shape, tops, limit, sky)
        # Pixels that stand alone may be far above the stars.
        several = len(found[0]) >= TOP_RANK
        top = float(np.sort(found[0])[-TOP_RANK]) if several else limit
        if several and limit - sky <= _ENOUGH_SHARE * (top - sky):
            break
        highest = top
    values, x, y = found
    order = np.argsort(-values, kind="stable")
    return Brightest(values[order], x[order], y[order], sky, noise, step)


def _bands(shape: tuple[int, int]) -> Iterator[tuple[int, int]]:
    for start in range(0, shape[0], _BAND_ROWS):
        yield start, min(start + _BAND_ROWS, shape[0])


def _maxima_and_sample(read, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return the highest value of each row, and a sample of all pixels."""
    tops = np.empty(shape[0], dtype=np.float32)
    step = max(1, shape[0] // _SAMPLE_ROWS)
    sample = []
    for start, stop in _bands(shape):
        rows = read(start, stop)
        if rows.dtype == FITS_WORDS:
            _row_maxima(read_only(rows.view(np.uint16)), tops[start:stop])
        else:
            tops[start:stop] = _highest(rows, axis=1)
        offset = np.float32(WORDS_ZERO if rows.dtype == FITS_WORDS else 0)
        for y in range(-start % step, stop - start, step):
            sample.append(rows[y, ::_SAMPLE_COLUMN_STEP].astype(np.float32) + offset)
    return tops, np.concatenate(sample)


def _collected(read, shape, tops, limit: float, sky: float) -> tuple[np.ndarray, ...]:
    """Return values, x and y of the pixels above a limit that have bright neighbours."""
    values = np.empty(_MOST_PIXELS, dtype=np.float32)
    places = np.empty((2, _MOST_PIXELS), dtype=np.int32)
    count = 0
    for start, stop in _bands(shape):
        first, last = max(1, start), min(shape[0] - 1, stop)
        wanted = tops[first:last] > limit
        if not wanted.any():
            continue
        top = first - 1
        rows = read(top, last + 1)
        is_words = rows.dtype == FITS_WORDS
        collect = _collect_words if is_words else _collect_values
        count = collect(
            read_only(rows.view(np.uint16) if is_words else rows),
            read_only(wanted),
            np.float32(limit),
            np.float32(sky),
            top,
            values,
            places,
            count,
        )
    return values[:count].copy(), places[0, :count].copy(), places[1, :count].copy()


@kernel
def _row_maxima(words, tops):
    for y in range(words.shape[0]):
        line = words[y]
        highest = np.uint16(0)
        for x in range(line.size):
            highest = max(highest, count_of(line[x]))
        tops[y] = highest


@kernel
def _collect_words(words, wanted, limit, sky, top, values, places, count):
    """Collect from the rows between the first and the last one; few blocks hold anything."""
    nx = words.shape[1]
    for y in range(wanted.size):
        if not wanted[y]:
            continue
        above, here, below = words[y], words[y + 1], words[y + 2]
        for first in range(0, nx, _BLOCK):
            block = here[first : first + _BLOCK]
            highest = np.uint16(0)
            for x in range(block.size):
                highest = max(highest, count_of(block[x]))
            if np.float32(highest) <= limit:
                continue
            for x in range(max(1, first), min(first + _BLOCK, nx - 1)):
                value = np.float32(count_of(here[x]))
                if value > limit and count < values.size:
                    enough = sky + np.float32(_NEIGHBOUR_SHARE) * (value - sky)
                    near = 0
                    for u in range(x - 1, x + 2):
                        near += np.float32(count_of(above[u])) > enough
                        near += np.float32(count_of(here[u])) > enough
                        near += np.float32(count_of(below[u])) > enough
                    count = _put(near, value, x, top + y + 1, values, places, count)
    return count


@kernel
def _collect_values(rows, wanted, limit, sky, top, values, places, count):
    """Do `_collect_words` with values."""
    nx = rows.shape[1]
    for y in range(wanted.size):
        if not wanted[y]:
            continue
        above, here, below = rows[y], rows[y + 1], rows[y + 2]
        for x in range(1, nx - 1):
            value = here[x]
            if value > limit and count < values.size:
                enough = sky + np.float32(_NEIGHBOUR_SHARE) * (value - sky)
                near = 0
                for u in range(x - 1, x + 2):
                    near += (above[u] > enough) + (here[u] > enough) + (below[u] > enough)
                count = _put(near, value, x, top + y + 1, values, places, count)
    return count


@kernel
def _put(near, value, x, y, values, places, count):
    """Put a pixel down if enough pixels near it are bright: itself and two others."""
    if near < 3:
        return count
    values[count] = value
    places[0, count], places[1, count] = x, y
    return count + 1


def warm_up() -> None:
    """Compile the kernels of this module."""
    rows = np.arange(30, dtype=np.float32).reshape(5, 6)
    for frame in (rows, rows.astype(FITS_WORDS)):
        brightest_pixels(lambda *span: frame[slice(*span)], (5, 6))  # noqa: B023 - called here
