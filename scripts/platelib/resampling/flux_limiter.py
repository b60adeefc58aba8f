"""Flux-limited resampling of undersampled light.

Lanczos-3 is exact for light that the pixels sample well. Stars of less than 1.7 pixels FWHM,
hot pixels, cosmic rays and the edges of saturated cores are sharper: there its negative lobes dig
dark rings. Cutting the rings off would add light to every such star. Here the light goes back to
where the lobes took it from, so that the sum stays, by the flux-corrected transport of Boris & Book
(1973, J. Comput. Phys. 11, 38) and Zalesak (1979, J. Comput. Phys. 31, 335):

- Linear interpolation is the low-order result. It keeps the sum and never falls below its pixels.
- The high-order result is a mean of Lanczos-3 and of the cubic of Keys (1981, IEEE Trans. ASSP 29,
  1153): the core of an undersampled star comes out too bright from the one and, with limited
  fluxes, too faint from the other.
- Their difference is written as fluxes between neighbouring samples. Each flux must lead uphill,
  and takes from a sample no more than what it has above the lower of its two pixels.

Both axes are done one after the other. All that a sample needs are the 6 x 6 pixels of Lanczos-3.
Only fluxes near sharp pixels (:mod:`platelib.resampling.sharp_pixels`) are limited, each as seen
from both of its samples: all else is Lanczos-3.
"""

import numpy as np

from platelib.numerics.kernels import allocating_kernel, kernel
from platelib.numerics.mask_bits import LIMITED, SHARP
from platelib.resampling.lanczos import LINE, STRIP, weights_at

_OF_LANCZOS, _OF_KEYS = np.float32(0.625), np.float32(0.375)
"""Shares in the high-order result: between stars of 1.2 and 2 pixels FWHM, Gaussian and Moffat, the
light within 1.5 pixels is then on average that of the subs, and nowhere off by more than 1 %."""


@kernel
def limited(t0, t1, t2, t3, t4, t5, f, terms, limits_behind, limits_ahead):
    """Interpolate between the two middle ones of six pixels, with limited fluxes.

    Parameters
    ----------
    t0, t1, t2, t3, t4, t5 : float
    f : float
        From 0, at ``t2``, to 1, at ``t3``.
    terms
        From :func:`platelib.resampling.lanczos.terms_of`.
    limits_behind, limits_ahead : int
        Whether the flux from the sample before, and the one to the sample after, is limited.
        Without limits the result is that of Lanczos-3.
    """
    half, one, nothing = np.float32(0.5), np.float32(1.0), np.uint8(0)
    g = one - f
    w0, w1, w2, _, w4, w5 = weights_at(f, terms)
    # The share of each pixel in the flux, by Lanczos-3 and by its mean with Keys' weights.
    d1, d5 = w0, -w5
    d2, d4 = d1 + w1, d5 - w4
    d3 = d2 + w2 - g
    e1, e5 = _OF_LANCZOS * d1, _OF_LANCZOS * d5
    k = _OF_KEYS * half * f
    e2, e4 = _OF_LANCZOS * d2 - k * g * g, _OF_LANCZOS * d4 + k * f * g
    e3 = e2 + _OF_LANCZOS * w2 + k * f * (np.float32(3.0) * f - np.float32(5.0)) + (_OF_KEYS - g)
    ahead = d1 * t1 + d2 * t2 + d3 * t3 + d4 * t4 + d5 * t5
    behind = d1 * t0 + d2 * t1 + d3 * t2 + d4 * t3 + d5 * t4
    soft_ahead = e1 * t1 + e2 * t2 + e3 * t3 + e4 * t4 + e5 * t5
    soft_behind = e1 * t0 + e2 * t1 + e3 * t2 + e4 * t3 + e5 * t4
    u0, u1, u2 = g * t0 + f * t1, g * t1 + f * t2, g * t2 + f * t3
    u3, u4 = g * t3 + f * t4, g * t4 + f * t5
    # What each has to give; one that lies lower than both neighbours gives to both.
    a1 = u1 - (t1 if t1 < t2 else t2)
    a2 = u2 - (t2 if t2 < t3 else t3)
    a3 = u3 - (t3 if t3 < t4 else t4)
    a1 = a1 * half if (u0 > u1) & (u2 > u1) else a1
    a2 = a2 * half if (u1 > u2) & (u3 > u2) else a2
    a3 = a3 * half if (u2 > u3) & (u4 > u3) else a3
    held_behind, held_ahead = _held(soft_behind, u1, u2, a1, a2), _held(soft_ahead, u2, u3, a2, a3)
    behind = held_behind if limits_behind != nothing else behind
    ahead = held_ahead if limits_ahead != nothing else ahead
    return u2 + behind - ahead


@kernel
def _held(flux, left, right, left_has, right_has):
    """Limit a flux from the left sample to the right one, or back if it is negative."""
    nothing = np.float32(0.0)
    forth = left_has if right > left else nothing
    back = right_has if left > right else nothing
    flux = flux if flux < forth else forth
    return flux if flux > -back else -back


@kernel
def sample_sharp(plane, row, column, mask, place, across, down, terms, room, total):
    """Sample a run of positions with sharp light.

    Parameters
    ----------
    plane : numpy.ndarray
        The first sample has the first of its 6 x 6 pixels at ``row``, ``column``.
    mask : numpy.ndarray
        ``(m, n)`` uint8, from `platelib.resampling.sharp_pixels.with_sharp`.
    place : tuple of int
        Row and column of the mask left of and above the first sample.
    across, down : numpy.ndarray
        ``(n,)`` float32, at most `STRIP`: fractions.
    terms
        From :func:`platelib.resampling.lanczos.terms_of`.
    room : tuple of numpy.ndarray
        From `room_for_sharp`.
    total : numpy.ndarray
        ``(n,)`` float32, for the result.
    """
    n = total.size
    columns, limits = room[0], room[2]
    _copy_limits(mask, place, n + 5, limits)
    for j in range(6):
        here = slice(column + j, column + j + n)
        r0, r1, r2 = plane[row, here], plane[row + 1, here], plane[row + 2, here]
        r3, r4, r5 = plane[row + 3, here], plane[row + 4, here], plane[row + 5, here]
        behind, ahead = limits[0, j : j + n], limits[1, j : j + n]
        sums = columns[j * LINE : j * LINE + n]
        for p in range(n):
            sums[p] = limited(
                r0[p], r1[p], r2[p], r3[p], r4[p], r5[p], down[p], terms, behind[p], ahead[p]
            )
    behind, ahead = limits[1, 1 : n + 1], limits[1, 2 : n + 2]
    for p in range(n):
        total[p] = limited(
            columns[p], columns[p + LINE], columns[p + 2 * LINE], columns[p + 3 * LINE],
            columns[p + 4 * LINE], columns[p + 5 * LINE], across[p], terms, behind[p], ahead[p],
        )  # fmt: skip


@kernel
def _copy_limits(mask, place, count, limits):
    """Copy the limits of the row before and of that of the samples, from two columns before on."""
    ny, nx = mask.shape
    for k in range(2):
        row = mask[min(max(place[0] - 1 + k, 0), ny - 1)]
        for p in range(count):
            limits[k, p] = row[min(max(place[1] - 2 + p, 0), nx - 1)] & LIMITED


@allocating_kernel
def room_for_sharp(is_needed):
    """Return what `sample_sharp` needs to work, or arrays of the same kinds without a number.

    Columns side by side; fractions, for the caller; limits.
    """
    size = LINE if is_needed else 0
    return (
        np.zeros(6 * size, dtype=np.float32),
        np.zeros((2, size), dtype=np.float32),
        np.zeros((2, size), dtype=np.uint8),
    )


@kernel
def next_sharp(marks, start):
    """Find the next samples in a row that see sharp light, and take the bit off their marks.

    Returns
    -------
    first, last : int
        Both ``marks.size`` if there is none; at most `STRIP` samples.
    """
    first = start
    while first < marks.size and not marks[first] & SHARP:
        first += 1
    last = first
    while last < min(marks.size, first + STRIP) and marks[last] & SHARP:
        marks[last] ^= SHARP
        last += 1
    return first, last
