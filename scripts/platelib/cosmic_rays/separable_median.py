"""Separable running medians in the buffers of :mod:`platelib.cosmic_rays.boxes`.

A separable median is the median along the rows, then along the columns. It is not quite the median
of the square and costs far less. The median of some values is found by *forgetting*: of so many
that the lowest and the highest cannot be the median of all, these two are dropped and the next
value is taken in, until three are left.
"""

from platelib.cosmic_rays.boxes import STRIDE, lower, upper
from platelib.numerics.kernels import kernel


@kernel
def _middle3(a, b, c):
    return upper(lower(a, b), lower(upper(a, b), c))


@kernel
def _inner4(a, b, c, d):
    """Two of four values, without the lowest and the highest."""
    return upper(lower(a, b), lower(c, d)), lower(upper(a, b), upper(c, d))


@kernel
def _inner5(a, b, c, d, e):
    """Three of five values, without the lowest and the highest."""
    p, q, r, s = lower(a, b), upper(a, b), lower(c, d), upper(c, d)
    lowest, highest = lower(p, r), upper(q, s)
    return upper(p, r), lower(q, s), lower(upper(e, lowest), highest)


@kernel
def _inner6(a, b, c, d, e, f):
    """Four of six values, without the lowest and the highest."""
    p, q, r, s = lower(a, b), upper(a, b), lower(c, d), upper(c, d)
    t, u = lower(e, f), upper(e, f)
    return upper(p, r), lower(q, s), upper(lower(p, r), t), lower(upper(q, s), u)


@kernel
def median_of_5(a, b, c, d, e):
    """Median of five values."""
    p, q = _inner4(a, b, c, d)
    return _middle3(p, q, e)


@kernel
def median_of_7(a, b, c, d, e, f, g):
    """Median of seven values."""
    p, q, r = _inner5(a, b, c, d, e)
    p, q = _inner4(p, q, r, f)
    return _middle3(p, q, g)


@kernel
def median_of_9(a, b, c, d, e, f, g, h, i):
    """Median of nine values."""
    p, q, r, s = _inner6(a, b, c, d, e, f)
    p, q, r = _inner5(p, q, r, s, g)
    p, q = _inner4(p, q, r, h)
    return _middle3(p, q, i)


@kernel
def median_5x5(source, area, rows, out):
    """Fill an area of ``out``; ``rows`` is overwritten. Two pixels around the area are read."""
    n = area[3] - area[2]
    for y in range(area[0] - 2, area[1] + 2):
        s, t = source[y * STRIDE + area[2] - 2 :], rows[y * STRIDE + area[2] :]
        for x in range(n):
            t[x] = median_of_5(s[x], s[x + 1], s[x + 2], s[x + 3], s[x + 4])
    for y in range(area[0], area[1]):
        s, t = rows[(y - 2) * STRIDE + area[2] :], out[y * STRIDE + area[2] :]
        for x in range(n):
            t[x] = median_of_5(
                s[x], s[x + STRIDE], s[x + 2 * STRIDE], s[x + 3 * STRIDE], s[x + 4 * STRIDE]
            )


@kernel
def median_7x7(source, area, rows, out):
    """Fill an area of ``out``; ``rows`` is overwritten. Three pixels around the area are read."""
    n = area[3] - area[2]
    for y in range(area[0] - 3, area[1] + 3):
        s, t = source[y * STRIDE + area[2] - 3 :], rows[y * STRIDE + area[2] :]
        for x in range(n):
            t[x] = median_of_7(s[x], s[x + 1], s[x + 2], s[x + 3], s[x + 4], s[x + 5], s[x + 6])
    for y in range(area[0], area[1]):
        s, t = rows[(y - 3) * STRIDE + area[2] :], out[y * STRIDE + area[2] :]
        for x in range(n):
            t[x] = median_of_7(
                s[x], s[x + STRIDE], s[x + 2 * STRIDE], s[x + 3 * STRIDE], s[x + 4 * STRIDE],
                s[x + 5 * STRIDE], s[x + 6 * STRIDE],
            )  # fmt: skip


@kernel
def median_9x9(source, area, rows, out):
    """Fill an area of ``out``; ``rows`` is overwritten. Four pixels around the area are read."""
    n = area[3] - area[2]
    for y in range(area[0] - 4, area[1] + 4):
        s, t = source[y * STRIDE + area[2] - 4 :], rows[y * STRIDE + area[2] :]
        for x in range(n):
            t[x] = median_of_9(
                s[x], s[x + 1], s[x + 2], s[x + 3], s[x + 4], s[x + 5], s[x + 6], s[x + 7], s[x + 8]
            )
    for y in range(area[0], area[1]):
        s, t = rows[(y - 4) * STRIDE + area[2] :], out[y * STRIDE + area[2] :]
        for x in range(n):
            t[x] = median_of_9(
                s[x], s[x + STRIDE], s[x + 2 * STRIDE], s[x + 3 * STRIDE], s[x + 4 * STRIDE],
                s[x + 5 * STRIDE], s[x + 6 * STRIDE], s[x + 7 * STRIDE], s[x + 8 * STRIDE],
            )  # fmt: skip
