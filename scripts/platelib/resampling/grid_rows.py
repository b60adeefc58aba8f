"""Rows of the grid in resampling: chunks, levels, marks of bad pixels.

Rows are worked on in chunks of samples, from left to right in the frame: where the grid runs to the
left there, samples are taken backward, and turned over in the end.
"""

import numpy as np

from platelib.numerics.kernels import kernel
from platelib.numerics.mask_bits import BAD, SHARP, SPIKE
from platelib.resampling.row_polynomials import around

_CARRIED = SHARP | SPIKE

SPANS = (512, 4096)
"""Samples whose places are counted from the same pixel, the one in their middle: where the camera
was turned, and where rows of the grid lie along rows of the frame. Each beginning costs as much as
a hundred samples, and single precision must hold the places to 1e-5 pixels."""

LONG_RUN = 48
"""Samples from which a run, on average, is long enough to be sampled by itself."""

STEPS = [
    np.stack([np.arange(span), np.arange(span)[::-1]]).astype(np.float32) - span // 2
    for span in SPANS
]
"""Distances of samples from that pixel, to the right and backward."""


@kernel
def turn_over(line, out):
    """Copy a line backward."""
    # An index with a sign might count from the end, and would be looked at one by one.
    last = np.uint64(line.size - 1)
    for p in range(out.size):
        out[p] = line[last - np.uint64(p)]


@kernel
def part_of_row(place, done):
    """Say where the next samples of a chunk end, are counted from, and begin among the steps.

    A place is: first sample, how many, whether backward, steps, centre and scale of the mapping.
    """
    begin, count, backward, steps, centre_x, scale = place
    span = steps.shape[1]
    column = begin + count - 1 - done if backward else begin + done
    from_origin = column % span
    origin = column - from_origin + span // 2
    first = span - 1 - from_origin if backward else from_origin
    end = min(done + span - first, count)
    return end, (origin - centre_x) / scale, first


@kernel
def fill_levels(sky_row, sky_degree, place, local, level):
    """Fill in the sky to subtract from each sample of a chunk."""
    _, count, backward, steps, _, scale = place
    done = 0
    while done < count:
        end, u, start = part_of_row(place, done)
        offset = steps[int(backward), start : start + end - done]
        around(sky_row, sky_degree, u, scale, local)
        _values_of(local, sky_degree, offset, level[done:end])
        done = end


@kernel
def _values_of(local, degree, offset, out):
    """Polynomial of degree 0 to 2, in single precision."""
    a = np.float32(local[0])
    b = np.float32(local[1] if degree > 0 else 0.0)
    c = np.float32(local[2] if degree > 1 else 0.0)
    for p in range(offset.size):
        out[p] = (c * offset[p] + b) * offset[p] + a


@kernel
def copy_marks(marks, target):
    """Copy as much as the target takes; a sample without data has no other mark."""
    for p in range(target.size):
        target[p] = BAD if marks[p] & BAD else marks[p]


@kernel
def copy(source, target):
    """Copy as much as the target takes."""
    for p in range(target.size):
        target[p] = source[p]


@kernel
def mark_bad(mask, row, column, n, last_row, last_column, outside, bad):
    """Mark samples that lie outside, or have a bad pixel, a spike or sharp light near them.

    Returns
    -------
    int
        All marks together: 0 if there is none.
    """
    upper = mask[min(max(row, 0), last_row)]
    lower = mask[min(max(row + 1, 0), last_row)]
    marks = bad[:n]
    if column >= 0 and column + n <= last_column:
        u0, u1 = upper[column : column + n], upper[column + 1 : column + 1 + n]
        l0, l1 = lower[column : column + n], lower[column + 1 : column + 1 + n]
        for p in range(n):
            marks[p] = (u0[p] | u1[p] | l0[p] | l1[p]) & BAD | u0[p] & _CARRIED | outside[p]
    else:
        for p in range(n):
            left = min(max(column + p, 0), last_column)
            right = min(max(column + p + 1, 0), last_column)
            seen = upper[left] | upper[right] | lower[left] | lower[right]
            marks[p] = seen & BAD | upper[left] & _CARRIED | outside[p]
    found = np.uint8(0)
    for p in range(n):
        found |= marks[p]
    return found
