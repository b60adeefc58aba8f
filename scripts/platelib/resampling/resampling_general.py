"""Resampling by any mapping, sample by sample.

The kernel and its sums are those of :mod:`platelib.resampling.lanczos`: where runs are long they go
along the rows of the frame, where they are short their pixels are copied side by side.
"""

import numpy as np

from platelib.numerics import aligned
from platelib.numerics.kernels import allocating_kernel, kernel
from platelib.numerics.mask_bits import BAD, SHARP
from platelib.resampling.flux_limiter import next_sharp, room_for_sharp, sample_sharp
from platelib.resampling.grid_rows import LONG_RUN, copy, copy_marks, mark_bad, part_of_row
from platelib.resampling.kernel_arguments import Places, Work
from platelib.resampling.lanczos import (
    CHUNK,
    ROOM,
    STRIP,
    VECTOR,
    Pixels,
    gather,
    sample,
    terms_of,
)
from platelib.resampling.row_polynomials import around


@allocating_kernel
def room_for_each(is_needed):
    """Return what `look_at_each` needs to work, or arrays of the same kinds without a row."""
    two, four, six, chunk = (2, 4, 6, CHUNK) if is_needed else (0, 0, 0, 0)
    places = Places(
        aligned.zeros(two, CHUNK).view(np.int32),
        aligned.zeros(two, CHUNK + VECTOR),
        np.empty(chunk, dtype=np.uint8),
        np.zeros(chunk // 8, dtype=np.uint64),
    )
    work = Work(
        np.empty((chunk, 3), dtype=np.int32),
        aligned.zeros(two, ROOM),
        aligned.zeros(six, ROOM),
        aligned.zeros(four, ROOM),
        aligned.zeros(two, 6 * STRIP),
        aligned.zeros(two, ROOM),
        room_for_sharp(is_needed),
        np.zeros(ROOM, dtype=np.uint8),
    )
    return places, work


@kernel
def look_at_each(source, rows, degree, place, polynomials, local, levels, result, room):
    """Sample a chunk; arguments as in `platelib.resampling.resampling_affine.follow_lines`."""
    places, work = room
    pixel, outside, words = places.pixel, places.outside, places.words
    breaks, count, shape = words.view(np.uint8), place[1], source.image.shape
    outside[:count] = 0
    _locate_all(
        rows, degree, place, source.raw_nx, source.first_column, source.raw_ny, source.first_row,
        local, pixel, places.fraction, outside,
    )  # fmt: skip
    _find_breaks(pixel[0, :count], pixel[1, :count], breaks)
    first, last = _inside(pixel, breaks, count, shape)
    runs = _find_runs(pixel, breaks, words, first, last, work.runs)
    if runs * LONG_RUN > last - first or not _are_inside(work.runs[:runs], last, shape):
        first = last = count
    if last > first:
        gain, square, level = levels
        values, variances, marks = result
        _sample_long_runs(
            source.image, source.variance, source.mask, places.fraction, outside, first, last, runs,
            polynomials, work, gain, square, level, values, variances, marks,
        )  # fmt: skip
    for start, stop in ((0, first), (last, count)):
        while start < stop:
            start = _sample_short_runs(
                source, places, (start, stop), polynomials, work, levels, result
            )


@kernel
def _locate_all(
    rows, degree, place, raw_nx, first_column, raw_ny, first_row, local, pixel, fraction, outside
):
    _, count, backward, steps, _, scale = place
    step = np.float32(-1.0 if backward else 1.0)
    done = 0
    while done < count:
        end, u, start = part_of_row(place, done)
        offset = steps[int(backward), start : start + end - done]
        here = slice(done, end)
        around(rows[0], degree, u, scale, local)
        local[1] -= step
        _locate(
            local, degree, offset, step, raw_nx, first_column, pixel[0, here],
            fraction[0, here], outside[here],
        )  # fmt: skip
        around(rows[1], degree, u, scale, local)
        _locate(
            local, degree, offset, np.float32(0.0), raw_ny, first_row,
            pixel[1, here], fraction[1, here], outside[here],
        )  # fmt: skip
        done = end


@kernel
def _locate(local, degree, offset, step, size, first, pixel, fraction, outside):
    """Find whole pixel and fraction of each place of a polynomial; mark those outside the frame.

    Places are counted, in single precision, from where moving by ``step`` a sample would lead: they
    are small numbers then. Pixels are counted from ``first``.
    """
    start = np.floor(local[0])
    a, b = np.float32(local[0] - start), np.float32(local[1])
    c = np.float32(local[2] if degree > 1 else 0.0)
    d = np.float32(local[3] if degree > 2 else 0.0)
    base = np.float32(start - first)
    for p in range(offset.size):
        t = offset[p]
        place = ((d * t + c) * t + b) * t + a
        below = np.floor(place)
        fraction[p] = place - below
        pixel[p] = np.int32(below + (base + step * t))
    lowest, highest = np.float32(-start), np.float32(size - 1 - start)
    # No place is further than this from the first: mostly all lie inside.
    one, other = offset[0], offset[offset.size - 1]
    far = max(abs(one), abs(other))
    swing = ((abs(d) * far + abs(c)) * far + abs(b)) * far + np.float32(1.0)
    one, other = step * one, step * other
    if a - swing + min(one, other) > lowest and a + swing + max(one, other) < highest:
        return
    good, bad = np.uint8(0), np.uint8(BAD)
    for p in range(offset.size):
        t = offset[p]
        place = ((d * t + c) * t + b) * t + a
        moved = step * t
        beside = (place < lowest - moved) | (place > highest - moved)
        outside[p] |= bad if beside else good


@kernel
def _find_breaks(x, y, breaks):
    """Mark samples after which the kernel does not move on by one pixel in the same row."""
    for p in range(x.size - 1):
        breaks[p] = (x[p + 1] - x[p] != 1) | (y[p + 1] != y[p])
    breaks[x.size - 1] = 1


@kernel
def _end_of_run(breaks, words, p):
    """First sample after ``p`` that belongs to another run."""
    while breaks[p] == 0:
        p += 1
        while p % 8 == 0 and words[p // 8] == 0:
            p += 8
    return p + 1


@kernel
def _inside(pixel, breaks, count, shape):
    """Leave away, at both ends, samples that want pixels beyond the image; end runs there."""
    first, last = 0, count
    while first < last and not _has_all(pixel[1, first], pixel[0, first], 1, shape):
        first += 1
    while last > first and not _has_all(pixel[1, last - 1], pixel[0, last - 1], 1, shape):
        last -= 1
    for end in (first, last):
        if end > 0:
            breaks[end - 1] = 1
    return first, last


@kernel
def _has_all(row, column, n, shape):
    """Return whether a run finds its pixels in the image."""
    return row >= 2 and row + 3 < shape[0] and column >= 2 and column + n + 3 <= shape[1]


@kernel
def _find_runs(pixel, breaks, words, first, last, runs):
    """List the runs: first sample, row and column of its pixel; return how many there are."""
    found = 0
    p = first
    while p < last:
        runs[found, 0], runs[found, 1], runs[found, 2] = p, pixel[1, p], pixel[0, p]
        found += 1
        p = _end_of_run(breaks, words, p)
    return found


@kernel
def _are_inside(runs, last, shape):
    """Return whether all runs find their pixels in the image."""
    for k in range(len(runs)):
        n = (runs[k + 1, 0] if k + 1 < len(runs) else last) - runs[k, 0]
        if not _has_all(runs[k, 1], runs[k, 2], n, shape):
            return False
    return True


@kernel
def _sample_long_runs(
    image, variance, mask, fraction, outside, first, last, found, polynomials, work, gain, square,
    level, values, variances, marks,
):  # fmt: skip
    """Sample straight from the image, run by run.

    Flat arguments: with `Places`, levels and result as tuples it takes 8 % longer.
    """
    runs, sums = work.runs, work.sums
    for k in range(found):
        p, row, column = runs[k, 0], runs[k, 1], runs[k, 2]
        n = (runs[k + 1, 0] if k + 1 < found else last) - p
        # Full vectors: the next run overwrites the excess.
        full = (n + VECTOR - 1) // VECTOR * VECTOR
        full = full if column + full + 3 <= image.shape[1] else n
        sample(
            Pixels(image, row - 2, column - 2), Pixels(variance, row - 1, column - 1),
            (fraction[0, p:], fraction[1, p:]), full, polynomials, work.weights,
            (sums[0, p:], sums[1, p:]),
        )  # fmt: skip
        found_marks = mark_bad(
            mask, row, column, n, len(mask) - 1, mask.shape[1] - 1, outside[p:], marks[p:]
        )
        if found_marks & SHARP:
            here = slice(p, p + n)
            _sample_sharp(
                image, row - 2, column - 2, mask, (row, column), fraction[0, here],
                fraction[1, here], polynomials, work.sharp, marks[here], sums[0, here],
            )  # fmt: skip
    here = slice(first, last)
    _level(sums[0, here], marks[here], gain, level[here], values[here])
    _scale(sums[1, here], marks[here], square, variances[here])
    copy_marks(marks[here], marks[here])


@kernel
def _sample_sharp(
    plane, row, column, mask, corner, across, down, polynomials, room, marks, total
):  # fmt: skip
    """Sample again, by `platelib.resampling.flux_limiter`, what is marked as sharp in a run."""
    terms = terms_of(polynomials)
    first, last = next_sharp(marks, 0)
    while first < marks.size:
        here = slice(first, last)
        place = (corner[0], corner[1] + first)
        sample_sharp(
            plane, row, column + first, mask, place, across[here], down[here], terms, room,
            total[here],
        )  # fmt: skip
        first, last = next_sharp(marks, last)


@kernel
def _level(sampled, marks, gain, sky, target):
    nothing = np.float32(np.nan)
    for q in range(target.size):
        target[q] = gain * sampled[q] - sky[q] if marks[q] & BAD == 0 else nothing


@kernel
def _scale(sampled, marks, square, target):
    nothing = np.float32(np.nan)
    for q in range(target.size):
        target[q] = square * sampled[q] if marks[q] & BAD == 0 else nothing


@kernel
def _sample_short_runs(source, places, span, polynomials, work, levels, result):
    """Sample a span as far as there is room for its runs; return where it ended."""
    image, variance, mask = source.image, source.variance, source.mask
    pixel, fraction, words = places.pixel, places.fraction, places.words
    runs, fractions, pixels, noises = work.runs, work.fractions, work.pixels, work.noises
    sums, bad = work.sums, work.marks
    (gain, square, level), (values, variances, marks) = levels, result
    breaks, (start, count) = words.view(np.uint8), span
    last_row, last_column = image.shape[0] - 1, image.shape[1] - 1
    p = start
    filled = 0
    found = 0
    found_marks = np.uint8(0)
    while p < count and filled + 6 <= ROOM:
        column, row = pixel[0, p], pixel[1, p]
        n = min(_end_of_run(breaks, words, p) - p, ROOM - 5 - filled)
        copy(fraction[0, p : p + n], fractions[0, filled : filled + n])
        copy(fraction[1, p : p + n], fractions[1, filled : filled + n])
        gather(image, row - 2, column - 2, n, last_row, last_column, filled, pixels)
        gather(variance, row - 1, column - 2, n, last_row, last_column, filled, noises)
        found_marks |= mark_bad(
            mask, row, column, n, last_row, last_column, places.outside[p:], bad[filled:]
        )
        runs[found, 0], runs[found, 1], runs[found, 2] = p, filled, n
        found += 1
        p += n
        filled += n + 5
    # Full vectors: the excess is never read.
    filled = min((filled - 5 + VECTOR - 1) // VECTOR * VECTOR, ROOM - 5)
    total, spread = sums[0], sums[1]
    sample(
        Pixels(pixels, 0, 0), Pixels(noises, 0, 1), (fractions[0], fractions[1]), filled,
        polynomials, work.weights, (total, spread),
    )  # fmt: skip
    for k in range(found):
        first, place, n = runs[k, 0], runs[k, 1], runs[k, 2]
        if found_marks & SHARP:
            here = slice(place, place + n)
            _sample_sharp(
                pixels, 0, place, mask, (pixel[1, first], pixel[0, first]), fractions[0, here],
                fractions[1, here], polynomials, work.sharp, bad[here], total[here],
            )  # fmt: skip
        known, sky = bad[place : place + n], level[first : first + n]
        _level(total[place : place + n], known, gain, sky, values[first : first + n])
        _scale(spread[place : place + n], known, square, variances[first : first + n])
        copy_marks(known, marks[first : first + n])
    return p
