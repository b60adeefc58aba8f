"""Resampling by a linear mapping, with rows of the grid along rows of the frame.

A row of the grid is a straight line in the frame. Its samples form long runs whose pixels lie in
the same six rows; where a run ends is found without looking at each sample. The sums are those of
:mod:`platelib.resampling.lanczos_separable`.

What a sample becomes depends on its place alone, not on the tile: a run ends where samples are
counted again (at multiples of a span), and columns beside it continue the line.
"""

import numpy as np

from platelib.numerics import aligned
from platelib.numerics.kernels import allocating_kernel, kernel
from platelib.numerics.mask_bits import BAD, SHARP
from platelib.resampling.flux_limiter import next_sharp, room_for_sharp, sample_sharp
from platelib.resampling.grid_rows import LONG_RUN, SPANS, mark_bad, part_of_row
from platelib.resampling.lanczos import CHUNK, LINE, ROOM, STRIP, VECTOR, gather
from platelib.resampling.lanczos_separable import (
    LINES,
    sample_across,
    sum_columns,
    sum_variances,
)
from platelib.resampling.row_polynomials import around

_FURTHEST = SPANS[1] // 2 + SPANS[1] // LONG_RUN + VECTOR
COLUMNS = np.arange(-_FURTHEST, _FURTHEST + 1).astype(np.float32)
"""Distances of columns of the frame from the one where the middle of a span lies."""
_BESIDE = 5
"""Columns that a run needs beside its own: two on its left, three on its right."""


@allocating_kernel
def room_for_lines():
    """Return what `follow_lines` needs to work."""
    return (  # sums of columns; pixels and variances at the edge; sharp light; samples outside
        aligned.zeros(1, LINES * LINE)[0],
        aligned.zeros(6, ROOM),
        aligned.zeros(4, ROOM),
        room_for_sharp(True),
        np.zeros(CHUNK, dtype=np.uint8),
    )


@kernel
def follow_lines(source, rows, place, columns, terms, local, levels, result, work):
    """Sample a chunk, run by run.

    Parameters
    ----------
    source
        Image, variance and mask; first row and column; rows and columns of the whole frame.
    rows : numpy.ndarray
        ``(2, 2)``: x and y in the frame as polynomials of the column of the grid.
    place
        As in :func:`platelib.resampling.grid_rows.part_of_row`.
    columns : numpy.ndarray
        `COLUMNS`.
    terms
        From :func:`platelib.resampling.lanczos.terms_of`.
    local : numpy.ndarray
        Room for a polynomial.
    levels
        Factors of the values and of the variances; the sky to subtract from each sample.
    result
        Values, variances and marks of the samples, to be filled.
    work
        From `room_for_lines`.
    """
    _, count, backward, steps, _, scale = place
    gain, square, level = levels
    values, variances, marks = result
    step = np.float32(-1.0 if backward else 1.0)
    done = 0
    while done < count:
        end, u, first = part_of_row(place, done)
        offset = steps[int(backward), first : first + end - done]
        around(rows[0], 1, u, scale, local)
        at_x, along = local[0], local[1]
        around(rows[1], 1, u, scale, local)
        at_y, rise = local[0], local[1] / along
        start_x, start_y = np.floor(at_x), np.floor(at_y)
        x, slope_x = np.float32(at_x - start_x), np.float32(along - step)
        y, slope_y = np.float32(at_y - start_y), np.float32(local[1])
        down = np.float32(at_y - start_y - rise * (at_x - start_x))
        p = 0
        while p < offset.size:
            past_x = np.floor(slope_x * offset[p] + x)
            past_y = np.floor(slope_y * offset[p] + y)
            q = min(_end_of_pixel(slope_x, x, offset, p), _end_of_pixel(slope_y, y, offset, p))
            from_start = np.int32(step * offset[p] + past_x)
            here = slice(done + p, done + q)
            _sample_run(
                source, np.int32(start_y) + np.int32(past_y), np.int32(start_x) + from_start,
                (columns[from_start - 2 + columns.size // 2 :], np.float32(rise), down - past_y),
                (offset[p:q], slope_x, x - past_x), (slope_y, y - past_y), terms,
                (gain, square, level[here]), (values[here], variances[here], marks[here]), work,
            )  # fmt: skip
            p = q
        done = end


@kernel
def _end_of_pixel(slope, start, offset, p):
    """First sample after ``p`` with another whole part; they only rise, or only fall."""
    past = np.floor(slope * offset[p] + start)
    same, other = p, offset.size
    if np.floor(slope * offset[other - 1] + start) == past:
        return other
    while other - same > 1:
        middle = (same + other) // 2
        if np.floor(slope * offset[middle] + start) == past:
            same = middle
        else:
            other = middle
    return other


@kernel
def _sample_run(source, raw_row, raw_column, down, across, below, terms, levels, result, work):
    """Sample a run whose first sample lies in a pixel of the raw frame."""
    image, variance, mask, first_row, first_column, raw_ny, raw_nx = source
    lines, pixels, noises, sharp_room, outside = work
    values, _, marks = result
    n = values.size
    row, column = raw_row - first_row, raw_column - first_column
    inside = row >= 2 and row + 3 < image.shape[0]
    inside = inside and column >= 2 and column + n + 3 <= image.shape[1]
    if inside:
        _sample_strips(
            image, row - 2, variance, row - 1, column - 2, down, across, terms, levels, result,
            lines,
        )  # fmt: skip
    else:
        last_row, last_column = image.shape[0] - 1, image.shape[1] - 1
        gather(image, row - 2, column - 2, n, last_row, last_column, 0, pixels)
        gather(variance, row - 1, column - 2, n, last_row, last_column, 0, noises)
        _sample_strips(pixels, 0, noises, 0, 0, down, across, terms, levels, result, lines)
    beyond = raw_row < 0 or raw_row + 1 >= raw_ny or raw_column < 0 or raw_column + n >= raw_nx
    if beyond:
        _mark_outside(raw_row, raw_column, raw_ny, raw_nx, across, below, outside)
    found = mark_bad(mask, row, column, n, image.shape[0] - 1, image.shape[1] - 1, outside, marks)
    if beyond:
        outside[:n] = 0
    if found & SHARP:
        plane, top, left = (image, row - 2, column - 2) if inside else (pixels, 0, 0)
        _sample_sharp(
            plane, top, left, mask, (row, column), across, below, terms, levels, result, sharp_room
        )
    if found & BAD:
        _blank(marks, result)


@kernel
def _sample_strips(
    plane, row, noise, noise_row, column, down, across, terms, levels, result, lines
):  # fmt: skip
    """Sample a run strip by strip."""
    places, rise, start_y = down
    steps, slope, start_x = across
    gain, square, level = levels
    values, variances, _ = result
    for begin in range(0, values.size, STRIP):
        count = min(STRIP, values.size - begin)
        full = (count + _BESIDE + VECTOR - 1) // VECTOR * VECTOR
        spare = column + begin + full <= plane.shape[1]
        for left, size in _in_vectors(full if spare else count + _BESIDE):
            at, part = column + begin + left, lines[left:]
            sum_columns(plane, row, at, places[begin + left :], rise, start_y, size, terms, part)
            sum_variances(noise, noise_row, at, size, part)
        for left, size in _in_vectors(count):
            here = slice(begin + left, begin + left + size)
            sample_across(
                lines[left:], steps[here], slope, start_x, terms, gain, square, level[here],
                values[here], variances[here],
            )  # fmt: skip


@kernel
def _sample_sharp(
    plane, row, column, mask, corner, across, below, terms, levels, result, room
):  # fmt: skip
    """Sample again, by `platelib.resampling.flux_limiter`, what is marked as sharp in a run."""
    steps, slope_x, start_x = across
    slope_y, start_y = below
    gain, _, level = levels
    values, _, marks = result
    first, last = next_sharp(marks, 0)
    while first < marks.size:
        n = last - first
        right, down = room[1][0, :n], room[1][1, :n]
        place = (corner[0], corner[1] + first)
        for p in range(n):
            right[p] = slope_x * steps[first + p] + start_x
            down[p] = slope_y * steps[first + p] + start_y
        target = values[first:last]
        sample_sharp(plane, row, column + first, mask, place, right, down, terms, room, target)
        for p in range(n):
            target[p] = gain * target[p] - level[first + p]
        first, last = next_sharp(marks, last)


@kernel
def _in_vectors(count):
    """Return where to begin and how many to do, twice: the second part may overlap the first.

    So each part has full vectors if there are enough numbers for one.
    """
    whole = count // VECTOR * VECTOR
    if whole == count or whole == 0:
        return (0, count), (0, 0)
    return (0, whole), (count - VECTOR, VECTOR)


@kernel
def _mark_outside(row, column, raw_ny, raw_nx, across, below, outside):
    """Mark samples of a run that lie beyond the outermost pixels of the frame."""
    steps, slope_x, start_x = across
    slope_y, start_y = below
    for p in range(steps.size):
        x, y = slope_x * steps[p] + start_x, slope_y * steps[p] + start_y
        past_x = column + p >= raw_nx or (column + p == raw_nx - 1 and x > 0)
        past_y = row >= raw_ny or (row == raw_ny - 1 and y > 0)
        outside[p] = BAD if column + p < 0 or row < 0 or past_x or past_y else 0


@kernel
def _blank(marks, result):
    values, variances, _ = result
    for p in range(marks.size):
        if marks[p] & BAD:
            values[p] = variances[p] = np.nan
            marks[p] = BAD
