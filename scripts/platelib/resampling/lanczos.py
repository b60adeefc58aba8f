"""The Lanczos kernel of order 3: its weights, and the sums that sample pixels with it.

Duchon (1979), J. Appl. Meteorol. 18, 1016; Turkowski (1990), in *Graphics Gems*, p. 147. Light that
is too sharp for it is resampled by :mod:`platelib.resampling.flux_limiter`.

Samples of one row of the grid form runs: as long as the kernel moves along one row of the frame by
whole pixels, neighbouring samples share their pixels, and the sums go along the rows. Where runs
are short - the camera was turned by some degrees - their pixels are copied side by side, so that
the sums go over many runs in one sweep. A compiler vectorises a loop only when it can tell that
what is written does not overlap what is read, and gives up at more than a few arrays: hence the
weights lie in flat arrays, line after line.
"""

from typing import NamedTuple

import numpy as np

from platelib.numerics.kernels import kernel

CHUNK = 1040
"""Samples that are worked on at a time: all that they need stays in an inner cache."""

ROOM = 1104
"""Places for them: runs of samples lie side by side with gaps of five between them. Not near a
power of two, or the lines of a sample would push each other out of the cache."""

STRIP = 208
"""Samples whose weights, pixels and sums find room together in the innermost cache."""

VECTOR = 16
"""Numbers that a processor works on at a time, at most; ``STRIP`` and ``ROOM`` are multiples."""

LINE = STRIP + 2 * VECTOR
"""Room for what is summed along a row for a strip of samples."""

_TERMS = 3


def lanczos(fraction: np.ndarray, tap: int) -> np.ndarray:
    """Return the weight of pixel ``tap``, counted from the pixel below; the six sum to 1."""
    window = [
        np.sinc(fraction - k) * np.sinc((fraction - k) / 3) * (np.abs(fraction - k) < 3)
        for k in range(-2, 4)
    ]
    return window[tap + 2] / np.sum(window, axis=0)


def _weight_polynomials() -> np.ndarray:
    """Even and odd part of the weights as polynomials, good to 5e-6.

    With ``t = f - 1/2`` and ``p = 1/4 - t^2 = f (1 - f)`` the taps ``-k`` and ``1 + k`` are mirror
    images: their weights are ``p E(t^2)`` plus and minus ``t p O(t^2)``, and 1/2 and ``-t`` more
    for the two in the middle. The factor ``p`` makes whole steps exact. Coefficients are rounded to
    1e-9, far below their error, so that they do not depend on the order in which a library sums.

    Returns
    -------
    numpy.ndarray
        ``(3, 2, 3)`` float32: taps 0, -1, -2; E and O; powers of ``t^2``.
    """
    t = 0.5 * np.cos(np.pi * (np.arange(200) + 0.5) / 200)
    p = 0.25 - t * t
    powers = np.stack([t ** (2 * k) for k in range(_TERMS)], axis=1)
    table = np.empty((3, 2, _TERMS))
    for k in range(3):
        left, right = lanczos(t + 0.5, -k), lanczos(t + 0.5, 1 + k)
        even = (left + right) / 2 - (0.5 if k == 0 else 0.0)
        odd = (left - right) / 2 + (t if k == 0 else 0.0)
        for part, (values, factor) in enumerate(((even, p), (odd, t * p))):
            table[k, part] = np.linalg.lstsq(powers * factor[:, None], values, rcond=None)[0]
    return np.round(table, 9).astype(np.float32)


POLYNOMIALS = _weight_polynomials()


@kernel
def terms_of(polynomials):
    """Return what `weights_at` needs of the polynomials, to be kept in registers."""
    p = polynomials
    return (
        (p[0, 1, 0], p[0, 1, 1], p[0, 1, 2]),
        (p[1, 0, 0], p[1, 0, 1], p[1, 0, 2]),
        (p[1, 1, 0], p[1, 1, 1], p[1, 1, 2]),
        (p[2, 0, 0], p[2, 0, 1], p[2, 0, 2]),
        (p[2, 1, 0], p[2, 1, 1], p[2, 1, 2]),
    )


@kernel
def weights_at(fraction, terms):
    """Return six weights at a subpixel position; their sum is 1, also just outside [0, 1]."""
    half, quarter = np.float32(0.5), np.float32(0.25)
    (a0, a1, a2), (b0, b1, b2), (c0, c1, c2), (d0, d1, d2), (e0, e1, e2) = terms
    t = fraction - half
    s = t * t
    rest = quarter - s
    skew = t * rest
    near, far = rest * ((b2 * s + b1) * s + b0), rest * ((d2 * s + d1) * s + d0)
    middle = half - (near + far)
    middle_odd = skew * ((a2 * s + a1) * s + a0) - t
    near_odd, far_odd = skew * ((c2 * s + c1) * s + c0), skew * ((e2 * s + e1) * s + e0)
    return (
        far + far_odd,
        near + near_odd,
        middle + middle_odd,
        middle - middle_odd,
        near - near_odd,
        far - far_odd,
    )


@kernel
def fill_weights(fraction, count, polynomials, weights):
    """Fill in six weights at each subpixel position, tap by tap in lines of ``STRIP``."""
    terms = terms_of(polynomials)
    for p in range(count):
        w0, w1, w2, w3, w4, w5 = weights_at(fraction[p], terms)
        weights[p], weights[p + STRIP], weights[p + 2 * STRIP] = w0, w1, w2
        weights[p + 3 * STRIP], weights[p + 4 * STRIP], weights[p + 5 * STRIP] = w3, w4, w5


@kernel
def gather(plane, row, column, n, last_row, last_column, place, out):
    """Copy ``n + 5`` pixels of rows from ``row`` on, as many as ``out`` has; edges are repeated."""
    # Full vectors where there is room: the next run overwrites the excess.
    size = (n + 5 + VECTOR - 1) // VECTOR * VECTOR
    if place + size > ROOM or column + size > last_column + 1:
        size = n + 5
    inside = column >= 0 and column + n + 4 <= last_column
    for j in range(len(out)):
        line = plane[min(max(row + j, 0), last_row)]
        if inside:
            source, target = line[column : column + size], out[j, place : place + size]
            for p in range(size):
                target[p] = source[p]
        else:
            for p in range(n + 5):
                out[j, place + p] = line[min(max(column + p, 0), last_column)]


@kernel
def sum_of_taps(plane, row, column, a, b, count, total):
    """Sum the 36 weighted pixels of each sample, from the first pixel of the first sample on."""
    end = column + count + 5
    r0, r1, r2 = plane[row, column:end], plane[row + 1, column:end], plane[row + 2, column:end]
    r3, r4, r5 = plane[row + 3, column:end], plane[row + 4, column:end], plane[row + 5, column:end]
    for p in range(count):
        a0, a1, a2 = a[p], a[p + STRIP], a[p + 2 * STRIP]
        a3, a4, a5 = a[p + 3 * STRIP], a[p + 4 * STRIP], a[p + 5 * STRIP]
        inner = a0 * r0[p] + a1 * r0[p + 1] + a2 * r0[p + 2]
        inner = inner + a3 * r0[p + 3] + a4 * r0[p + 4] + a5 * r0[p + 5]
        sums = b[p] * inner
        inner = a0 * r1[p] + a1 * r1[p + 1] + a2 * r1[p + 2]
        inner = inner + a3 * r1[p + 3] + a4 * r1[p + 4] + a5 * r1[p + 5]
        sums = sums + b[p + STRIP] * inner
        inner = a0 * r2[p] + a1 * r2[p + 1] + a2 * r2[p + 2]
        inner = inner + a3 * r2[p + 3] + a4 * r2[p + 4] + a5 * r2[p + 5]
        sums = sums + b[p + 2 * STRIP] * inner
        inner = a0 * r3[p] + a1 * r3[p + 1] + a2 * r3[p + 2]
        inner = inner + a3 * r3[p + 3] + a4 * r3[p + 4] + a5 * r3[p + 5]
        sums = sums + b[p + 3 * STRIP] * inner
        inner = a0 * r4[p] + a1 * r4[p + 1] + a2 * r4[p + 2]
        inner = inner + a3 * r4[p + 3] + a4 * r4[p + 4] + a5 * r4[p + 5]
        sums = sums + b[p + 4 * STRIP] * inner
        inner = a0 * r5[p] + a1 * r5[p + 1] + a2 * r5[p + 2]
        inner = inner + a3 * r5[p + 3] + a4 * r5[p + 4] + a5 * r5[p + 5]
        total[p] = sums + b[p + 5 * STRIP] * inner


@kernel
def sum_of_squares(plane, row, column, a, b, count, spread):
    """Add up the variances of the inner 4 x 4 pixels; the outer ones bring less than 0.5 %."""
    end = column + count + 3
    r1, r2 = plane[row, column:end], plane[row + 1, column:end]
    r3, r4 = plane[row + 2, column:end], plane[row + 3, column:end]
    for p in range(count):
        a1, a2, a3, a4 = a[p + STRIP], a[p + 2 * STRIP], a[p + 3 * STRIP], a[p + 4 * STRIP]
        b1, b2, b3, b4 = b[p + STRIP], b[p + 2 * STRIP], b[p + 3 * STRIP], b[p + 4 * STRIP]
        a1, a2, a3, a4 = a1 * a1, a2 * a2, a3 * a3, a4 * a4
        sums = b1 * b1 * (a1 * r1[p] + a2 * r1[p + 1] + a3 * r1[p + 2] + a4 * r1[p + 3])
        sums = sums + b2 * b2 * (a1 * r2[p] + a2 * r2[p + 1] + a3 * r2[p + 2] + a4 * r2[p + 3])
        sums = sums + b3 * b3 * (a1 * r3[p] + a2 * r3[p + 1] + a3 * r3[p + 2] + a4 * r3[p + 3])
        sums = sums + b4 * b4 * (a1 * r4[p] + a2 * r4[p + 1] + a3 * r4[p + 2] + a4 * r4[p + 3])
        spread[p] = sums


class Pixels(NamedTuple):
    """Pixels of a run of samples.

    Attributes
    ----------
    plane : numpy.ndarray
        ``(m, n)`` float32.
    row, column : int
        Where the first pixel of the first sample lies.
    """

    plane: np.ndarray
    row: int
    column: int


@kernel
def sample(pixels, noises, fractions, count, polynomials, weights, sums):
    """Sample a run, with its variance.

    Parameters
    ----------
    pixels, noises : Pixels
        The 6 x 6 pixels of the run's first sample, and the variances of the inner 4 x 4.
    fractions : tuple of numpy.ndarray
        Across and down: where in their pixels the samples lie.
    count : int
        Samples of the run.
    polynomials : numpy.ndarray
        `POLYNOMIALS`.
    weights : numpy.ndarray
        ``(2, 6 STRIP)`` float32, to work in.
    sums : tuple of numpy.ndarray
        Values and variances of the samples, to be filled.
    """
    across, down = fractions
    total, spread = sums
    for start in range(0, count, STRIP):
        n = min(STRIP, count - start)
        here = slice(start, start + n)
        fill_weights(across[here], n, polynomials, weights[0])
        fill_weights(down[here], n, polynomials, weights[1])
        left, noise_left = pixels.column + start, noises.column + start
        a, b = weights[0], weights[1]
        sum_of_taps(pixels.plane, pixels.row, left, a, b, n, total[here])
        sum_of_squares(noises.plane, noises.row, noise_left, a, b, n, spread[here])


def warm_up() -> None:
    """Compile the kernels of this module."""
    fraction = np.zeros(STRIP, dtype=np.float32)
    weights = np.empty(6 * STRIP, dtype=np.float32)
    fill_weights(fraction, STRIP, POLYNOMIALS, weights)
