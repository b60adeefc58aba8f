"""Separable sums of the Lanczos kernel along a straight line: first down, then across columns.

A row of the grid that lies along rows of the frame crosses each column of the frame at one place.
The columns are summed down to there once, and the samples between them then take six sums each: 12
products a sample, where a sum over 6 x 6 pixels takes 42. It is the first half of the method of
Catmull & Smith (1980, Computer Graphics 14, 279), line by line.

Lines of numbers lie in one flat array, one after the other; see :mod:`platelib.resampling.lanczos`
for why.
"""

from platelib.numerics.kernels import kernel
from platelib.resampling.lanczos import LINE, weights_at

LINES = 5
"""Sums; four squared weights, the first of which makes room for sums of variances."""
_SPREAD = LINE


@kernel
def sum_columns(plane, row, column, places, rise, start, count, terms, lines):
    """Sum each column down to the line.

    Parameters
    ----------
    plane : numpy.ndarray
        ``(m, n)`` float32; the first of the six rows is ``row``, the first column ``column``.
    places, rise, start
        The line passes ``rise * places[q] + start`` pixels below the third of the rows.
    count : int
        How many columns, at most ``LINE``.
    terms
        From :func:`platelib.resampling.lanczos.terms_of`.
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
        lines[q + _SPREAD] = w1 * w1
        lines[q + _SPREAD + LINE] = w2 * w2
        lines[q + _SPREAD + 2 * LINE] = w3 * w3
        lines[q + _SPREAD + 3 * LINE] = w4 * w4


@kernel
def sum_variances(plane, row, column, count, lines):
    """Sum the variances of the inner four pixels of each column; the outer add less than 0.5 %."""
    end = column + count
    r1, r2 = plane[row, column:end], plane[row + 1, column:end]
    r3, r4 = plane[row + 2, column:end], plane[row + 3, column:end]
    for q in range(count):
        sums = lines[q + _SPREAD] * r1[q] + lines[q + _SPREAD + LINE] * r2[q]
        sums = sums + lines[q + _SPREAD + 2 * LINE] * r3[q] + lines[q + _SPREAD + 3 * LINE] * r4[q]
        lines[q + _SPREAD] = sums


@kernel
def sample_across(lines, steps, slope, start, terms, gain, square, sky, values, variances):
    """Sample between the columns, and level.

    Parameters
    ----------
    lines : numpy.ndarray
        From `sum_columns` and `sum_variances`; the first column is two left of the first sample's.
    steps, slope, start
        Samples lie ``slope * steps[p] + start`` pixels right of their columns.
    terms
        From :func:`platelib.resampling.lanczos.terms_of`.
    gain, square : float
        Factors of the values and of the variances.
    sky, values, variances : numpy.ndarray
        ``(n,)`` float32: the sky to subtract after scaling, and the results.
    """
    for p in range(values.size):
        w0, w1, w2, w3, w4, w5 = weights_at(slope * steps[p] + start, terms)
        sums = w0 * lines[p] + w1 * lines[p + 1] + w2 * lines[p + 2]
        value = sums + w3 * lines[p + 3] + w4 * lines[p + 4] + w5 * lines[p + 5]
        k = p + _SPREAD
        spread = (w1 * w1) * lines[k + 1] + (w2 * w2) * lines[k + 2]
        spread = spread + (w3 * w3) * lines[k + 3] + (w4 * w4) * lines[k + 4]
        values[p] = gain * value - sky[p]
        variances[p] = square * spread
