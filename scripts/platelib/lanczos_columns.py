"""The sums of the Lanczos kernel along a straight line: down the columns first, then across them.

A row of the grid that lies along rows of the frame crosses each column of the frame at one place.
The columns are summed down to there once, and the samples between them then take six sums each: 12
products a sample, where a sum over 6 x 6 pixels takes 42. It is the first half of the method of
Catmull & Smith (1980, Computer Graphics 14, 279), line by line.

Lines of numbers lie in one flat array, one after the other; see :mod:`platelib.lanczos` for why.
"""

import numpy as np

from platelib.kernels import kernel
from platelib.lanczos import STRIP, VECTOR, weights_at

LINE = STRIP + 2 * VECTOR
LINES = 7
"""Sums; lowest and highest of four pixels; four squared weights, the first two of which make room
for sums of variances and the lower of two variances."""
_LOWEST, _HIGHEST, _SPREAD, _QUIETEST = LINE, 2 * LINE, 3 * LINE, 4 * LINE


@kernel
def sum_columns(plane, row, column, places, rise, start, count, terms, lines):
    """Sum each column down to the line, and find the extremes of its inner four pixels.

    Parameters
    ----------
    plane : numpy.ndarray
        ``(m, n)`` float32; the first of the six rows is ``row``, the first column ``column``.
    places, rise, start
        The line passes ``rise * places[q] + start`` pixels below the third of the rows.
    count : int
        How many columns, at most ``LINE``.
    terms
        From :func:`platelib.lanczos.terms_of`.
    lines : numpy.ndarray
        ``(LINES * LINE,)`` float32, for the result.
    """
    end = column + count
    r0, r1, r2 = plane[row, column:end], plane[row + 1, column:end], plane[row + 2, column:end]
    r3, r4, r5 = plane[row + 3, column:end], plane[row + 4, column:end], plane[row + 5, column:end]
    for q in range(count):
        w0, w1, w2, w3, w4, w5 = weights_at(rise * places[q] + start, terms)
        t0, t1, t2, t3, t4, t5 = r0[q], r1[q], r2[q], r3[q], r4[q], r5[q]
        sums = w0 * t0 + w1 * t1 + w2 * t2
        lines[q] = sums + w3 * t3 + w4 * t4 + w5 * t5
        low1, low2 = t1 if t1 < t2 else t2, t3 if t3 < t4 else t4
        high1, high2 = t1 if t1 > t2 else t2, t3 if t3 > t4 else t4
        lines[q + _LOWEST] = low1 if low1 < low2 else low2
        lines[q + _HIGHEST] = high1 if high1 > high2 else high2
        lines[q + _SPREAD] = w1 * w1
        lines[q + _SPREAD + LINE] = w2 * w2
        lines[q + _SPREAD + 2 * LINE] = w3 * w3
        lines[q + _SPREAD + 3 * LINE] = w4 * w4


@kernel
def sum_variances(plane, row, column, count, lines):
    """Sum the variances of the inner four pixels of each column; the outer bring less than 0.5 %.

    The lower one of the two in the middle is kept too.
    """
    end = column + count
    r1, r2 = plane[row, column:end], plane[row + 1, column:end]
    r3, r4 = plane[row + 2, column:end], plane[row + 3, column:end]
    for q in range(count):
        v2, v3 = r2[q], r3[q]
        sums = lines[q + _SPREAD] * r1[q] + lines[q + _SPREAD + LINE] * v2
        sums = sums + lines[q + _SPREAD + 2 * LINE] * v3 + lines[q + _SPREAD + 3 * LINE] * r4[q]
        lines[q + _SPREAD] = sums
        lines[q + _QUIETEST] = v2 if v2 < v3 else v3


@kernel
def sample_across(lines, steps, slope, start, terms, gain, square, sky, values, variances):
    """Sample between the columns, hold within what the surroundings allow, and level.

    Parameters
    ----------
    lines : numpy.ndarray
        From `sum_columns` and `sum_variances`; the first column is two left of the first sample's.
    steps, slope, start
        Samples lie ``slope * steps[p] + start`` pixels right of their columns.
    terms
        From :func:`platelib.lanczos.terms_of`.
    gain, square : float
        Factors of the values and of the variances.
    sky, values, variances : numpy.ndarray
        ``(n,)`` float32: what is taken off after scaling, and the results.

    Notes
    -----
    Of the four nearest variances the lowest counts: a hot pixel's own noise must not widen the
    limits.
    """
    half = np.float32(0.5)
    for p in range(values.size):
        w0, w1, w2, w3, w4, w5 = weights_at(slope * steps[p] + start, terms)
        sums = w0 * lines[p] + w1 * lines[p + 1] + w2 * lines[p + 2]
        value = sums + w3 * lines[p + 3] + w4 * lines[p + 4] + w5 * lines[p + 5]
        k = p + _SPREAD
        spread = (w1 * w1) * lines[k + 1] + (w2 * w2) * lines[k + 2]
        spread = spread + (w3 * w3) * lines[k + 3] + (w4 * w4) * lines[k + 4]
        k = p + _LOWEST
        b1, b2, b3, b4 = lines[k + 1], lines[k + 2], lines[k + 3], lines[k + 4]
        b1, b3 = b1 if b1 < b2 else b2, b3 if b3 < b4 else b4
        k = p + _HIGHEST
        t1, t2, t3, t4 = lines[k + 1], lines[k + 2], lines[k + 3], lines[k + 4]
        t1, t3 = t1 if t1 > t2 else t2, t3 if t3 > t4 else t4
        bottom, top = b1 if b1 < b3 else b3, t1 if t1 > t3 else t3
        k = p + _QUIETEST
        v1, v2 = lines[k + 2], lines[k + 3]
        noise = np.sqrt(v1 if v1 < v2 else v2)
        low, high = bottom - noise, top + half * (top - bottom) + noise
        value = value if value > low else low
        value = value if value < high else high
        values[p] = gain * value - sky[p]
        variances[p] = square * spread
