"""One iteration of Laplacian edge detection on a frame, box by box.

In the notation of van Dokkum (2001, PASP 113, 1420): the Laplacian L+ of the frame, sampled twice
as finely, over twice the noise is S; S less its 5 x 5 median is S'; the 3 x 3 median of the frame
less the 7 x 7 median of that is the fine structure F. A particle hit where S' is high, and high
against F over the noise. Here, as in Astro-SCRAPPY, the medians are separable and each two pixels
wider, and the noise is the root of the median of the variance.

What decides on a pixel lies within ``HALO`` of it: growing takes 2 pixels, the median of S 3, that
of the variance 3. A box is left as soon as it is clear that it holds nothing.
"""

import numpy as np

from platelib.cosmic_rays.boxes import (
    HALO,
    ROOM,
    STRIDE,
    any_above,
    common,
    copy,
    grown,
    least,
    load,
    lower,
    subtract,
    upper,
)
from platelib.cosmic_rays.separable_median import median_5x5, median_7x7, median_9x9
from platelib.numerics.kernels import allocating_kernel, kernel

EDGE = 3
"""Pixels along each edge of the frame that are never flagged: the medians do not reach them."""
_LEAST_VARIANCE = np.float32(1e-5)
_LEAST_STRUCTURE = np.float32(0.01)
_SAFE = np.float32(1.0 - 1e-5)
"""Room for the rounding of a few single precision operations."""


@allocating_kernel
def search(image, variance, silent, boxes, limits, rays):
    """Flag cosmic rays in all nonempty boxes; return whether any is new.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32.
    silent : numpy.ndarray
        ``(ny, nx)`` uint8, not 0 where nothing is judged.
    boxes : numpy.ndarray
        ``(n, m, 4)`` int64, see :func:`platelib.cosmic_rays.boxes.boxes_of`.
    limits : numpy.ndarray
        ``(3,)`` float32: sigma, sigma for neighbours, contrast.
    rays : numpy.ndarray
        ``(ny, nx)`` uint8, set to 1 where something is found.
    """
    work = np.zeros((6, ROOM), dtype=np.float32)
    marks = np.zeros((3, ROOM), dtype=np.uint8)
    found = 0
    for i in range(boxes.shape[0]):
        for j in range(boxes.shape[1]):
            box = boxes[i, j]
            if box[0] < box[1]:
                found += _judge(image, variance, silent, box, limits, work, marks, rays)
    return found > 0


@allocating_kernel
def clear_boxes(image, variance, boxes, sigma):
    """Make boxes empty that hold no ray, by their Laplacians and the lowest variances near them.

    This is the first test of each box, done row by row of the frame: no pixel is copied, and none
    of its surroundings are looked at twice. The lowest variance is that of a larger area, so a box
    may stay that the test proper will leave.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32.
    boxes : numpy.ndarray
        ``(n, m, 4)`` int64, whole boxes.
    sigma : float32
        See `search`.
    """
    (n, m), (ny, nx) = boxes.shape[:2], image.shape
    if n * m == 0:
        return
    low, high = np.empty(nx, dtype=np.float32), np.empty(nx, dtype=np.float32)
    lowest, highest = np.empty((n, m), dtype=np.float32), np.empty((n, m), dtype=np.float32)
    for i in range(n):
        first, stop = boxes[i, 0, 0], boxes[i, 0, 1]
        low[:], high[:] = np.inf, 0.0
        # What lies between the boxes and the edge of the frame counts in the outer ones.
        for y in range(0 if i == 0 else first, ny if i == n - 1 else stop):
            _lower_values(variance[y], low)
        for y in range(max(first - 2, EDGE), min(stop + 2, ny - EDGE)):
            _higher_laplacians(image[y], image[y - 1, 1:], image[y + 1, 1:], high[1:-1])
        for j in range(m):
            first, stop = boxes[i, j, 2], boxes[i, j, 3]
            lowest[i, j] = np.min(low[0 if j == 0 else first : nx if j == m - 1 else stop])
            highest[i, j] = np.max(high[max(first - 2, EDGE) : min(stop + 2, nx - EDGE)])
    for i in range(n):
        for j in range(m):
            around = lowest[max(0, i - 1) : i + 2, max(0, j - 1) : j + 2]
            if not highest[i, j] > _bound(np.min(around), sigma):
                boxes[i, j, :] = 0


@kernel
def _lower_values(values, low):
    for x in range(low.size):
        low[x] = lower(values[x], low[x])


@kernel
def _higher_laplacians(line, below, above, high):
    for x in range(high.size):
        high[x] = upper(
            high[x], _laplacian_of(line[x], line[x + 1], line[x + 2], below[x], above[x])
        )


@kernel
def _bound(lowest, sigma):
    """Return what a Laplacian is below if it is no ray with any noise above the lowest variance."""
    return np.float32(2.0) * sigma * np.sqrt(max(lowest, _LEAST_VARIANCE)) * _SAFE


@kernel
def _judge(image, variance, silent, box, limits, work, marks, rays):
    """Flag cosmic rays in one box; count the new pixels."""
    sigma, low, contrast = limits[0], limits[1], limits[2]
    pixels, sharp, noise, rows, smooth, spare = work[0], work[1], work[2], work[3], work[4], work[5]
    top, left = box[0] - HALO, box[2] - HALO
    frame = (-top, image.shape[0] - top, -left, image.shape[1] - left)
    middle = grown(frame, -EDGE)
    area = (box[0] - top, box[1] - top, box[2] - left, box[3] - left)
    judged = common(grown(area, 2), middle)
    around = grown(judged, EDGE)
    load(image, grown(judged, 6), frame, top, left, pixels)
    load(variance, grown(judged, 6), frame, top, left, spare)
    lowest = least(spare, common(grown(judged, 6), frame))

    _laplacian(pixels, around, sharp)
    # The noise is a median of values not below the lowest variance.
    if not any_above(sharp, judged, _bound(lowest, sigma)):
        return 0
    copy(spare, around, noise)
    median_7x7(spare, common(around, middle), rows, noise)
    _over_noise(sharp, around, noise)
    if not any_above(sharp, judged, sigma):
        return 0

    median_7x7(sharp, judged, rows, smooth)
    subtract(smooth, judged, sharp)
    if not any_above(sharp, judged, sigma):
        return 0

    wide = common(grown(judged, 4), frame)
    copy(pixels, wide, spare)
    median_5x5(pixels, common(wide, grown(frame, -2)), rows, spare)
    copy(spare, judged, smooth)
    median_9x9(spare, common(judged, grown(frame, -4)), rows, smooth)
    load(silent, judged, frame, top, left, marks[0])
    if not _cores(sharp, noise, spare, smooth, judged, sigma, contrast, marks):
        return 0
    return _grow(sharp, area, middle, sigma, low, marks, top, left, rays)


@kernel
def _laplacian(pixels, area, out):
    """Mean over the quarters of each pixel of their Laplacians, negative ones taken as 0.

    A quarter has two neighbours in its own pixel, so that its Laplacian is twice the pixel less
    one neighbour beside and one above or below it. The order of operations is that of the
    library.
    """
    n = area[3] - area[2]
    for y in range(area[0], area[1]):
        line = pixels[y * STRIDE + area[2] - 1 :]
        below = pixels[(y - 1) * STRIDE + area[2] :]
        above = pixels[(y + 1) * STRIDE + area[2] :]
        target = out[y * STRIDE + area[2] :]
        for x in range(n):
            target[x] = _laplacian_of(line[x], line[x + 1], line[x + 2], below[x], above[x])


@kernel
def _laplacian_of(before, c, behind, below, above):
    zero, quarter = np.float32(0.0), np.float32(0.25)
    four = np.float32(4.0) * c
    left = (four - c) - before
    right = (four - behind) - c
    down, up = c + below, above + c
    one = upper(left - down, zero) + upper(right - up, zero)
    other = upper(left - up, zero) + upper(right - down, zero)
    return (one + other) * quarter


@kernel
def _over_noise(sharp, area, noise):
    """Convert variances to noise, and divide Laplacians by twice the noise."""
    n = area[3] - area[2]
    two = np.float32(2.0)
    for y in range(area[0], area[1]):
        line, spread = sharp[y * STRIDE + area[2] :], noise[y * STRIDE + area[2] :]
        for x in range(n):
            spread[x] = np.sqrt(upper(spread[x], _LEAST_VARIANCE))
            line[x] /= two * spread[x]


@kernel
def _cores(sharp, noise, stars, smooth, area, sigma, contrast, marks):
    """Mark sharp pixels unexplained by stars in ``marks[1]``; return whether there are any."""
    silent, cores = marks[0], marks[1]
    cores[:] = 0
    found = False
    for y in range(area[0], area[1]):
        for p in range(y * STRIDE + area[2], y * STRIDE + area[3]):
            if sharp[p] > sigma and silent[p] == 0:
                structure = upper((stars[p] - smooth[p]) / noise[p], _LEAST_STRUCTURE)
                if sharp[p] / structure > contrast:
                    cores[p] = 1
                    found = True
    return found


@kernel
def _grow(sharp, area, middle, sigma, low, marks, top, left, rays):
    """Add sharp neighbours regardless of structure, then less sharp ones; count new pixels."""
    silent, cores, near = marks[0], marks[1], marks[2]
    near[:] = 0
    one = common(grown(area, 1), middle)
    for y in range(one[0], one[1]):
        for p in range(y * STRIDE + one[2], y * STRIDE + one[3]):
            if sharp[p] > sigma and silent[p] == 0 and _touches(cores, p):
                near[p] = 1
    count = 0
    for y in range(area[0], area[1]):
        for x in range(area[2], area[3]):
            p = y * STRIDE + x
            if sharp[p] > low and silent[p] == 0 and _touches(near, p):
                count += rays[y + top, x + left] == 0
                rays[y + top, x + left] = 1
    return count


@kernel
def _touches(marks, p):
    for first in (p - STRIDE - 1, p - 1, p + STRIDE - 1):
        if marks[first] or marks[first + 1] or marks[first + 2]:
            return True
    return False
