"""The Lanczos kernel of order 3: its weights, and sampling runs of pixels with it.

The kernel is Lanczos of order 3 (Duchon 1979, J. Appl. Meteorol. 18, 1016; Turkowski 1990, in
*Graphics Gems*, p. 147). What limits its ringing is said in :mod:`platelib.resampling`.
"""

import numpy as np

from platelib.calibration import BAD
from platelib.kernels import kernel

CHUNK = 256
"""Columns that are worked on at a time: their weights stay in the innermost cache."""

_TERMS = 4


def lanczos(fraction: np.ndarray, tap: int) -> np.ndarray:
    """Weight of the pixel ``tap`` places right of the one below, the six summing to 1."""
    window = [
        np.sinc(fraction - k) * np.sinc((fraction - k) / 3) * (np.abs(fraction - k) < 3)
        for k in range(-2, 4)
    ]
    return window[tap + 2] / np.sum(window, axis=0)


def _weight_polynomials() -> np.ndarray:
    """Even and odd part of the weights as polynomials, good to 4e-7.

    With ``t = f - 1/2`` and ``p = 1/4 - t^2 = f (1 - f)`` the taps ``-k`` and ``1 + k`` are mirror
    images: their weights are ``e + p E(t^2)`` plus and minus ``t (o + p O(t^2))``. The factor ``p``
    makes whole steps exact. Coefficients are rounded to 1e-9, far below their error, so that they
    do not depend on the order in which a library sums.

    Returns
    -------
    numpy.ndarray
        ``(3, 2, 4)`` float32: taps 0, -1, -2; E and O; powers of ``t^2``.
    """
    t = 0.5 * np.cos(np.pi * (np.arange(200) + 0.5) / 200)
    p = 0.25 - t * t
    powers = np.stack([t ** (2 * k) for k in range(_TERMS)], axis=1)
    table = np.empty((3, 2, _TERMS))
    for k in range(3):
        left, right = lanczos(t + 0.5, -k), lanczos(t + 0.5, 1 + k)
        even = (left + right) / 2 - (0.5 if k == 0 else 0.0)
        odd = (left - right) / 2 / t - (-1.0 if k == 0 else 0.0)
        for part, values in enumerate((even, odd)):
            table[k, part] = np.linalg.lstsq(powers, values / p, rcond=None)[0]
    return np.round(table, 9).astype(np.float32)


POLYNOMIALS = _weight_polynomials()


@kernel
def fill_weights(fraction, count, polynomials, weights):
    """Six weights at each subpixel place, ``weights[k]`` for tap ``k - 2``."""
    half = np.float32(0.5)
    quarter = np.float32(0.25)
    for k in range(3):
        even, odd = polynomials[k, 0], polynomials[k, 1]
        e0, e1, e2, e3 = even[0], even[1], even[2], even[3]
        o0, o1, o2, o3 = odd[0], odd[1], odd[2], odd[3]
        base = half if k == 0 else np.float32(0.0)
        slope = np.float32(-1.0) if k == 0 else np.float32(0.0)
        left = weights[(2 - k) * CHUNK : (3 - k) * CHUNK]
        right = weights[(3 + k) * CHUNK : (4 + k) * CHUNK]
        for p in range(count):
            t = fraction[p] - half
            s = t * t
            rest = quarter - s
            symmetric = base + rest * (((e3 * s + e2) * s + e1) * s + e0)
            skew = t * (slope + rest * (((o3 * s + o2) * s + o1) * s + o0))
            left[p] = symmetric + skew
            right[p] = symmetric - skew


@kernel
def sample_between(
    image,
    variance,
    mask,
    row,
    column,
    row_end,
    column_end,
    row_begin,
    column_begin,
    start,
    stop,
    a,
    b,
    scratch,
    values,
    variances,
):
    """Sample a run; the ends that need pixels beyond the frame one by one, the rest together."""
    held_ny, held_nx = image.shape
    inside = row >= 2 and row + 3 < held_ny
    left = start
    right = stop
    if inside:
        left = min(stop, start + max(0, 2 - column))
        right = max(left, min(stop, start + held_nx - 3 - column))
    else:
        right = start
        left = start
    for p in range(start, left):
        _sample(
            image,
            variance,
            mask,
            row,
            column + (p - start),
            row_begin,
            row_end,
            column_begin,
            column_end,
            p,
            a,
            b,
            values,
            variances,
        )
    if right > left:
        _sample_run(
            image,
            variance,
            mask,
            row,
            column + (left - start),
            left,
            right,
            a,
            b,
            scratch,
            values,
            variances,
        )
    for p in range(max(left, right), stop):
        _sample(
            image,
            variance,
            mask,
            row,
            column + (p - start),
            row_begin,
            row_end,
            column_begin,
            column_end,
            p,
            a,
            b,
            values,
            variances,
        )


# The loops below are apart because a compiler vectorises a loop only when it can tell that what is
# written does not overlap what is read, and gives up at more than eight pairs of arrays. For the
# same reason weights lie in flat arrays, tap after tap.


@kernel
def _sum_of_taps(r0, r1, r2, r3, r4, r5, a, b, total):
    """Add up the 36 weighted pixels of each sample."""
    for p in range(total.size):
        a0, a1, a2 = a[p], a[p + CHUNK], a[p + 2 * CHUNK]
        a3, a4, a5 = a[p + 3 * CHUNK], a[p + 4 * CHUNK], a[p + 5 * CHUNK]
        l0 = a0 * r0[p] + a1 * r0[p + 1] + a2 * r0[p + 2]
        l1 = a0 * r1[p] + a1 * r1[p + 1] + a2 * r1[p + 2]
        l2 = a0 * r2[p] + a1 * r2[p + 1] + a2 * r2[p + 2]
        l3 = a0 * r3[p] + a1 * r3[p + 1] + a2 * r3[p + 2]
        l4 = a0 * r4[p] + a1 * r4[p + 1] + a2 * r4[p + 2]
        l5 = a0 * r5[p] + a1 * r5[p + 1] + a2 * r5[p + 2]
        l0 = l0 + a3 * r0[p + 3] + a4 * r0[p + 4] + a5 * r0[p + 5]
        l1 = l1 + a3 * r1[p + 3] + a4 * r1[p + 4] + a5 * r1[p + 5]
        l2 = l2 + a3 * r2[p + 3] + a4 * r2[p + 4] + a5 * r2[p + 5]
        l3 = l3 + a3 * r3[p + 3] + a4 * r3[p + 4] + a5 * r3[p + 5]
        l4 = l4 + a3 * r4[p + 3] + a4 * r4[p + 4] + a5 * r4[p + 5]
        l5 = l5 + a3 * r5[p + 3] + a4 * r5[p + 4] + a5 * r5[p + 5]
        sums = b[p] * l0 + b[p + CHUNK] * l1 + b[p + 2 * CHUNK] * l2
        sums = sums + b[p + 3 * CHUNK] * l3
        total[p] = sums + b[p + 4 * CHUNK] * l4 + b[p + 5 * CHUNK] * l5


@kernel
def _sum_of_squares(v1, v2, v3, v4, a, b, spread):
    """Add up the variances of the inner 4 x 4 pixels; the outer ones bring less than 0.5 %."""
    for p in range(spread.size):
        a1, a2 = a[p + CHUNK], a[p + 2 * CHUNK]
        a3, a4 = a[p + 3 * CHUNK], a[p + 4 * CHUNK]
        b1, b2 = b[p + CHUNK], b[p + 2 * CHUNK]
        b3, b4 = b[p + 3 * CHUNK], b[p + 4 * CHUNK]
        a1, a2, a3, a4 = a1 * a1, a2 * a2, a3 * a3, a4 * a4
        l1 = a1 * v1[p + 1] + a2 * v1[p + 2] + a3 * v1[p + 3] + a4 * v1[p + 4]
        l2 = a1 * v2[p + 1] + a2 * v2[p + 2] + a3 * v2[p + 3] + a4 * v2[p + 4]
        l3 = a1 * v3[p + 1] + a2 * v3[p + 2] + a3 * v3[p + 3] + a4 * v3[p + 4]
        l4 = a1 * v4[p + 1] + a2 * v4[p + 2] + a3 * v4[p + 3] + a4 * v4[p + 4]
        spread[p] = b1 * b1 * l1 + b2 * b2 * l2 + b3 * b3 * l3 + b4 * b4 * l4


@kernel
def _lowest(r1, r2, r3, r4, low):
    for p in range(low.size):
        m1 = min(min(r1[p + 1], r1[p + 2]), min(r1[p + 3], r1[p + 4]))
        m2 = min(min(r2[p + 1], r2[p + 2]), min(r2[p + 3], r2[p + 4]))
        m3 = min(min(r3[p + 1], r3[p + 2]), min(r3[p + 3], r3[p + 4]))
        m4 = min(min(r4[p + 1], r4[p + 2]), min(r4[p + 3], r4[p + 4]))
        low[p] = min(min(m1, m2), min(m3, m4))


@kernel
def _highest(r1, r2, r3, r4, high):
    for p in range(high.size):
        m1 = max(max(r1[p + 1], r1[p + 2]), max(r1[p + 3], r1[p + 4]))
        m2 = max(max(r2[p + 1], r2[p + 2]), max(r2[p + 3], r2[p + 4]))
        m3 = max(max(r3[p + 1], r3[p + 2]), max(r3[p + 3], r3[p + 4]))
        m4 = max(max(r4[p + 1], r4[p + 2]), max(r4[p + 3], r4[p + 4]))
        high[p] = max(max(m1, m2), max(m3, m4))


@kernel
def _limit(total, low, high, v2, v3, values):
    """Hold each sample between what its surroundings allow."""
    half = np.float32(0.5)
    for p in range(values.size):
        # The quietest of the four nearest: a hot pixel's own noise must not widen the limits.
        noise = np.sqrt(min(min(v2[p + 2], v2[p + 3]), min(v3[p + 2], v3[p + 3])))
        floor = low[p] - noise
        ceiling = high[p] + half * (high[p] - low[p]) + noise
        values[p] = min(max(total[p], floor), ceiling)


@kernel
def _sample_run(image, variance, mask, row, column, left, right, a, b, scratch, values, variances):
    """Sample ``right - left`` neighbouring pixels of one row, all of whose kernels lie inside."""
    n = right - left
    first, last = column - 2, column + n + 3
    total, low, high = scratch[0, :n], scratch[1, :n], scratch[2, :n]
    r0, r1, r2 = image[row - 2, first:last], image[row - 1, first:last], image[row, first:last]
    r3, r4, r5 = image[row + 1, first:last], image[row + 2, first:last], image[row + 3, first:last]
    v1, v2 = variance[row - 1, first:last], variance[row, first:last]
    v3, v4 = variance[row + 1, first:last], variance[row + 2, first:last]
    _sum_of_taps(r0, r1, r2, r3, r4, r5, a[left:], b[left:], total)
    _sum_of_squares(v1, v2, v3, v4, a[left:], b[left:], variances[left:right])
    _lowest(r1, r2, r3, r4, low)
    _highest(r1, r2, r3, r4, high)
    _limit(total, low, high, v2, v3, values[left:right])
    m0, m1 = mask[row, column : column + n], mask[row, column + 1 : column + 1 + n]
    m2, m3 = mask[row + 1, column : column + n], mask[row + 1, column + 1 : column + 1 + n]
    seen = np.uint8(0)
    for p in range(n):
        seen |= m0[p] | m1[p] | m2[p] | m3[p]
    if seen & BAD:
        for p in range(n):
            if (m0[p] | m1[p] | m2[p] | m3[p]) & BAD:
                values[left + p] = np.nan
                variances[left + p] = np.nan


@kernel
def _sample(
    image,
    variance,
    mask,
    row,
    column,
    row_begin,
    row_end,
    column_begin,
    column_end,
    p,
    a,
    b,
    values,
    variances,
):
    """Sample one pixel near the edge, whose kernel sees the outermost pixels repeated."""
    held_ny, held_nx = image.shape
    values[p] = np.nan
    variances[p] = np.nan
    last_row, last_column = row_end - 1, column_end - 1
    over_y = row == last_row and b[2 * CHUNK + p] == 1.0
    over_x = column == last_column and a[2 * CHUNK + p] == 1.0
    if row < row_begin or column < column_begin:
        return
    if (row >= last_row and not over_y) or (column >= last_column and not over_x):
        return
    total = np.float32(0.0)
    spread = np.float32(0.0)
    low = np.float32(np.inf)
    high = np.float32(-np.inf)
    noise = np.float32(np.inf)
    bad = np.uint8(0)
    for j in range(6):
        v = min(max(row + j - 2, row_begin), last_row)
        if v < 0 or v >= held_ny:
            return
        inner = np.float32(0.0)
        inner_spread = np.float32(0.0)
        for i in range(6):
            u = min(max(column + i - 2, column_begin), last_column)
            value = image[v, u]
            inner += a[i * CHUNK + p] * value
            if 0 < i < 5 and 0 < j < 5:
                inner_spread += a[i * CHUNK + p] * a[i * CHUNK + p] * variance[v, u]
                low = min(low, value)
                high = max(high, value)
            if 2 <= i <= 3 and 2 <= j <= 3:
                noise = min(noise, variance[v, u])
                bad |= mask[v, u] & BAD
        total += b[j * CHUNK + p] * inner
        spread += b[j * CHUNK + p] * b[j * CHUNK + p] * inner_spread
    if bad:
        return
    noise = np.sqrt(noise)
    ceiling = high + np.float32(0.5) * (high - low) + noise
    values[p] = min(max(total, low - noise), ceiling)
    variances[p] = spread


def warm_up() -> None:
    """Compile the kernels of this module."""
    fraction = np.zeros(CHUNK, dtype=np.float32)
    fill_weights(fraction, CHUNK, POLYNOMIALS, np.empty(6 * CHUNK, dtype=np.float32))
