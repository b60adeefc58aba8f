"""The prefilter of rejection: find the pixels of a strip that may hold an outlier.

Most pixels hold none, and that can be proven for a strip of pixels at once, in single precision, by
bounds that are safe against rounding: a bracket that the median is known to lie in, because few
enough samples lie beyond either end, and a width that is known to be no larger than the true one. A
pixel is *clean* if no sample lies beyond the limits even so. Every other pixel is *suspect* and
left to :mod:`platelib.integration.rejection_rules`; a suspect without an outlier costs time and
nothing else.

Every screen works on pixels ``left`` to ``left + width`` of row ``y`` and fills ``suspect``.
"""

import numpy as np

from platelib.integration.rejection_rules import EXCESS
from platelib.numerics.constants import MAD_TO_SIGMA
from platelib.numerics.kernels import kernel
from platelib.numerics.order_statistics import work_network

STRIP = 1056
"""Pixels of a row, at most, that are screened and then averaged at a time."""
_SHORT_STRIP, _SORTED_STRIP = 176, 352
_CACHE_BYTES, _SAMPLE_BYTES = 400_000, 9
"""What the samples of a strip may take of the processor's cache: value, variance and flag."""
SAFE = 1.0 - 1e-5
"""Room for the rounding of a few single precision operations."""
TINY = np.float32(1e-30)
"""Squares below this may have lost their digits."""
HUGE = 1e30
REACH = 2.5
"""Half width of the bracket of the median, in standard errors of the mean."""
TYPICAL = 0.87
"""Share of the mean variance that the median variance of a pixel hardly ever falls below."""
ZERO, ONE, ABOVE = np.int32(0), np.int32(1), np.int32(1 << 16)
"""Two counts in one number: from 0, and in steps of 65536."""


def strip_of(n: int, sorts: bool = False) -> int:
    """Return the number of pixels of a row processed at a time; it changes no result.

    Samples are read from memory once if those of a strip stay in the cache until they are averaged;
    the longer a strip is, the faster they are read.

    Parameters
    ----------
    n : int
        Samples of a pixel.
    sorts : bool, optional
        Whether the method sorts them, which goes through a strip many times.
    """
    fits = _CACHE_BYTES // (_SAMPLE_BYTES * n) // 16 * 16
    return max(_SHORT_STRIP, min(fits, _SORTED_STRIP if sorts else STRIP))


@kernel
def screen_noise(
    values, variances, y, left, right, squares, sky, low, high, tolerance, work, tally, suspect
):
    """Screen for ``noise``; ``squares`` are the ``(n,)`` float32 variances of the skies.

    Flat arguments: with strip and rule as tuples, rejection takes 1 % longer.
    """
    n, width = squares.size, right - left
    centre, scale, count = work[0], work[1], tally[0]
    _means(values, variances, y, left, right, squares, centre, scale, count)
    least, most, cap, slack = work[2], work[3], work[4], work[5]
    mean_square = 0.0
    for i in range(n):
        mean_square += squares[i]
    mean_square /= n
    for p in range(width):
        middle, typical = float(centre[p]), float(scale[p])
        extra = tolerance * max(middle - sky, 0.0)
        error = REACH * np.sqrt((typical * mean_square + extra * extra) / max(count[p], 1))
        least[p], most[p] = middle - error, middle + error
        cap[p] = EXCESS * TYPICAL * typical
        extra = tolerance * max(float(least[p]) - sky, 0.0)
        slack[p] = extra * extra * SAFE
    beyond, thin = tally[1], tally[2]
    for p in range(width):
        beyond[p] = 0
        thin[p] = 0
    low_square, high_square = np.float32(low * low * SAFE), np.float32(high * high * SAFE)
    zero = np.float32(0.0)
    share = np.float32((1.0 / EXCESS) / SAFE)
    for i in range(n):
        square = squares[i]
        row, spreads = values[i, y, left:right], variances[i, y, left:right]
        for p in range(width):
            value, variance = row[p], spreads[p]
            bound = cap[p] * square
            spread = min(variance, bound) + slack[p]
            above, below = max(value - least[p], zero), max(most[p] - value, zero)
            out = (above * above >= high_square * spread - TINY) | (
                below * below >= low_square * spread - TINY
            )
            thin[p] += (ONE if variance < bound * share else ZERO) + (ABOVE if out else ZERO)
        _count_beyond(row, least, most, beyond)
    for p in range(width):
        half = (count[p] - 1) // 2
        sure = abs(least[p]) + abs(most[p]) < HUGE
        sure &= (beyond[p] & (ABOVE - 1) <= half) & (beyond[p] // ABOVE <= half)
        sure &= thin[p] <= half
        suspect[p] = not sure and count[p] >= 3


@kernel
def _means(values, variances, y, left, right, squares, centre, scale, count):
    """Mean of the samples, mean of their variances in units of the skies', and their number."""
    zero, width = np.float32(0.0), right - left
    for p in range(width):
        centre[p] = zero
        scale[p] = zero
        count[p] = 0
    n = squares.size
    fours = n - n % 4
    for i in range(0, fours, 4):
        _add_four_squares(values, variances, i, y, left, right, squares, scale)
        _add_four_known(values, i, y, left, right, centre, count)
    for i in range(fours, n):
        inverse = np.float32(1.0) / squares[i]
        row, spreads = values[i, y, left:right], variances[i, y, left:right]
        for p in range(width):
            scale[p] += spreads[p] * inverse if row[p] == row[p] else zero
        for p in range(width):
            known = row[p] == row[p]
            centre[p] += row[p] if known else zero
            count[p] += ONE if known else ZERO
    for p in range(width):
        number = np.float32(max(count[p], 1))
        centre[p] /= number
        scale[p] /= number


@kernel
def _add_four_squares(values, variances, i, y, left, right, squares, total):
    """Add four images in order to a sum that is loaded and stored once."""
    zero, one = np.float32(0.0), np.float32(1.0)
    r0, r1, r2, r3 = (
        values[i, y, left:right], values[i + 1, y, left:right],
        values[i + 2, y, left:right], values[i + 3, y, left:right],
    )  # fmt: skip
    s0, s1, s2, s3 = (
        variances[i, y, left:right], variances[i + 1, y, left:right],
        variances[i + 2, y, left:right], variances[i + 3, y, left:right],
    )  # fmt: skip
    i0, i1, i2, i3 = (
        one / squares[i], one / squares[i + 1], one / squares[i + 2], one / squares[i + 3]
    )  # fmt: skip
    for p in range(right - left):
        a = s0[p] * i0 if r0[p] == r0[p] else zero
        b = s1[p] * i1 if r1[p] == r1[p] else zero
        c = s2[p] * i2 if r2[p] == r2[p] else zero
        d = s3[p] * i3 if r3[p] == r3[p] else zero
        total[p] = (((total[p] + a) + b) + c) + d


@kernel
def _add_four_known(values, i, y, left, right, total, count):
    """Sum and count the valid samples of four images."""
    zero = np.float32(0.0)
    r0, r1, r2, r3 = (
        values[i, y, left:right], values[i + 1, y, left:right],
        values[i + 2, y, left:right], values[i + 3, y, left:right],
    )  # fmt: skip
    for p in range(right - left):
        a = r0[p] if r0[p] == r0[p] else zero
        b = r1[p] if r1[p] == r1[p] else zero
        c = r2[p] if r2[p] == r2[p] else zero
        d = r3[p] if r3[p] == r3[p] else zero
        total[p] = (((total[p] + a) + b) + c) + d
    for p in range(right - left):
        a = ONE if r0[p] == r0[p] else ZERO
        b = ONE if r1[p] == r1[p] else ZERO
        c = ONE if r2[p] == r2[p] else ZERO
        d = ONE if r3[p] == r3[p] else ZERO
        count[p] += (a + b) + (c + d)


@kernel
def _count_beyond(row, least, most, beyond):
    for p in range(row.size):
        beyond[p] += (ONE if row[p] < least[p] else ZERO) + (ABOVE if row[p] > most[p] else ZERO)


@kernel
def screen_sigma(values, y, left, right, low, high, work, tally, suspect):
    """Screen for ``sigma``."""
    width = right - left
    centre, total, square, spread = work[0], work[1], work[2], work[3]
    _centres(values, y, left, right, centre, tally[0])
    zero = np.float32(0.0)
    for p in range(width):
        total[p] = zero
        square[p] = zero
    for i in range(len(values)):
        row = values[i, y, left:right]
        for p in range(width):
            deviation = row[p] - centre[p] if row[p] == row[p] else zero
            total[p] += deviation
            square[p] += deviation * deviation
    for p in range(width):
        number = max(tally[0, p], 1)
        mean = float(total[p]) / number
        variance = max(float(square[p]) / number - mean * mean, 0.0)
        # The sums are of single precision.
        spread[p] = np.sqrt(variance) * (1.0 - 1e-3)
    _screen_centred(values, y, left, right, low, high, work, tally, suspect)


@kernel
def _centres(values, y, left, right, centre, count):
    """Mean of the samples and their number."""
    zero, width = np.float32(0.0), right - left
    for p in range(width):
        centre[p] = zero
        count[p] = 0
    for i in range(len(values)):
        row = values[i, y, left:right]
        for p in range(width):
            known = row[p] == row[p]
            centre[p] += row[p] if known else zero
            count[p] += ONE if known else ZERO
    for p in range(width):
        centre[p] /= np.float32(max(count[p], 1))


@kernel
def _screen_centred(values, y, left, right, low, high, work, tally, suspect):
    """Screen with the width of each pixel in ``work[3]``."""
    width = right - left
    centre, spread, least, most = work[0], work[3], work[4], work[5]
    low_reach, high_reach = work[6], work[7]
    count, beyond, out = tally[0], tally[1], tally[2]
    for p in range(width):
        middle, size = float(centre[p]), float(spread[p])
        error = REACH * size / np.sqrt(max(count[p], 1))
        least[p], most[p] = middle - error, middle + error
        low_reach[p], high_reach[p] = max(low, 0.0) * size * SAFE, max(high, 0.0) * size * SAFE
        beyond[p] = 0
        out[p] = 0
    for i in range(len(values)):
        row = values[i, y, left:right]
        _count_beyond(row, least, most, beyond)
        for p in range(width):
            far = (row[p] - least[p] >= high_reach[p]) | (most[p] - row[p] >= low_reach[p])
            out[p] += ONE if far else ZERO
    for p in range(width):
        half = (count[p] - 1) // 2
        sure = (abs(least[p]) + abs(most[p]) < HUGE) & (out[p] == 0)
        sure &= (beyond[p] & (ABOVE - 1) <= half) & (beyond[p] // ABOVE <= half)
        suspect[p] = not sure and count[p] >= 3


@kernel
def _sorted_strip(values, y, left, right, network, rows, count):
    """Return the sorted samples of each pixel, missing ones last as infinity, and their number."""
    width, missing = right - left, np.float32(np.inf)
    for p in range(width):
        count[p] = 0
    for i in range(len(values)):
        row, copy = values[i, y, left:right], rows[i]
        for p in range(width):
            known = row[p] == row[p]
            copy[p] = row[p] if known else missing
            count[p] += ONE if known else ZERO
    work_network(rows, network, width)


@kernel
def screen_mad(values, y, left, right, low, high, network, valley, rows, tally, suspect):
    """Screen for ``mad`` by the true median and deviation, but for rounding."""
    width, n = right - left, len(values)
    count = tally[0]
    _sorted_strip(values, y, left, right, network, rows, count)
    centre, least, most = rows[n], rows[n + 1], rows[n + 2]
    for p in range(width):
        size = max(count[p], 1)
        centre[p] = 0.5 * (rows[(size - 1) // 2, p] + rows[size // 2, p])
        least[p], most[p] = rows[0, p], rows[size - 1, p]
    for i in range(n):
        row = rows[i]
        for p in range(width):
            row[p] = abs(row[p] - centre[p])
    work_network(rows, valley, width)
    for p in range(width):
        size = max(count[p], 1)
        rounding = 2e-7 * abs(centre[p])
        deviation = 0.5 * (float(rows[(size - 1) // 2, p]) + float(rows[size // 2, p])) - rounding
        spread = max(MAD_TO_SIGMA * deviation, 0.0) * SAFE
        sure = most[p] - centre[p] + rounding < high * spread
        sure &= centre[p] - least[p] + rounding < low * spread
        suspect[p] = not sure and count[p] >= 3


@kernel
def screen_esd(values, y, left, right, limits, network, rows, tally, suspect):
    """Screen for ``esd``: the test itself, with sums updated from step to step.

    In rising order, the sample farthest from the mean of those left is the first or the last.
    """
    count = tally[0]
    _sorted_strip(values, y, left, right, network, rows, count)
    for p in range(right - left):
        suspect[p] = not _without_outliers(rows[:, p], count[p], limits)


@kernel
def _without_outliers(ordered, total, limits):
    first, last = 0, total - 1
    middle = float(ordered[total // 2]) if total else 0.0
    sums, squares = 0.0, 0.0
    for i in range(total):
        deviation = ordered[i] - middle
        sums += deviation
        squares += deviation * deviation
    trusted = 1e-6 * squares
    for step in range(1, total // 3 + 1):
        number = last - first + 1
        mean = sums / number
        rest = squares - sums * mean
        below = mean - (ordered[first] - middle)
        above = (ordered[last] - middle) - mean
        farther = max(below, above)
        limit = limits[total, step]
        # Near a limit, a tie or a loss of digits only the rule itself decides.
        if not (
            rest > trusted
            and farther * farther * (number - 1) < limit * limit * rest * SAFE
            and abs(above - below) > 1e-6 * farther
        ):
            return False
        if above > below:
            gone = ordered[last] - middle
            last -= 1
        else:
            gone = ordered[first] - middle
            first += 1
        sums -= gone
        squares -= gone * gone
    return True
