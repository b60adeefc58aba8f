"""Undersampled pixels, and pixels sharper than any star of the sub.

A *sharp* pixel is the peak of an undersampled star, a hot pixel, a cosmic ray or the edge of a
saturated core: :mod:`platelib.resampling.flux_limiter` resamples what lies around it. A *spike*
stands out from its neighbours as no star of the sub does: integration suspects it.
"""

import math

import numpy as np

from platelib.numerics.kernels import kernel
from platelib.numerics.mask_bits import LIMITED, SHARP, SPIKE

ROWS_BESIDE, COLUMNS_BESIDE = (5, 6), (6, 9)
"""Pixels before and after the one left of and above a sample that tell whether it is sharp."""
_SIGNIFICANT = np.float32(12.0**2)
"""Square of the second difference, in units of the variance of a pixel, from which it is looked at.
The noise of a second difference is 2.4 times that of a pixel: one in a million passes by chance."""
_SPIKE_SIGNIFICANT = np.float32(10.0**2)
_SPIKE_SIGMAS = np.float32(5.0)
"""Contrast of a spike with its four neighbours, in the noise of a pixel. One of its two second
differences is then at least twice as large."""
_SPIKE_NOISE = np.float32(2.5)
"""A spike exceeds the sharpest peak of a star by this many times the noise of a pixel."""
_VARIANCE_OF_PEAK = np.float32(2.0)
"""Largest variance of a pixel on a star over that of its neighbours."""
_NARROWER, _UNKNOWN_FWHM_PX = 0.9, 1.8
_PEAK, _PEAK_NOISE = np.float32(1.05), np.float32(6.0)
"""A peak is sharp whose second difference exceeds this times its height, by this many times the
noise of a pixel. A Gaussian star of 1.8 pixels FWHM, integrated over pixels and centred on one, has
1.05, one of 2 pixels 1.0."""
_EDGE, _EDGE_NOISE = np.float32(0.78), np.float32(5.0)
"""An edge is sharp where one step exceeds this share of the range of five pixels, by this many
times the noise of a pixel. The same stars, centred between two pixels, have 0.78 and 0.73."""
_SEGMENT = 64


def curvature_of_star(fwhm_px: float) -> float:
    """Return the largest second difference of a star, over what it falls by within two pixels.

    That of a Gaussian star in the middle of a pixel, integrated over pixels and a tenth narrower
    than the sub's, since star images are no Gaussians and differ.

    Parameters
    ----------
    fwhm_px : float
        FWHM of the stars of a sub, px; NaN if it is unknown.

    Returns
    -------
    float
        From 0.5, where stars are wide, to 2; that of a star of 1.8 px where the width is unknown.
    """
    width = _NARROWER * (fwhm_px if fwhm_px > 0 else _UNKNOWN_FWHM_PX)
    to_erf = 2.0 * math.sqrt(math.log(2.0)) / width
    edges = [math.erf(pixels * to_erf) for pixels in (0.5, 1.5, 2.5)]
    middle, beside, second = edges[0], (edges[1] - edges[0]) / 2, (edges[2] - edges[1]) / 2
    return 2.0 * (middle - beside) / (middle - second)


def with_sharp(
    values: np.ndarray, variance: np.ndarray, mask: np.ndarray, curvature: float
) -> np.ndarray:
    """Return a mask that also says which samples see sharp light.

    Parameters
    ----------
    values, variance : numpy.ndarray
        ``(m, n)`` float32.
    mask : numpy.ndarray
        ``(m, n)`` uint8.
    curvature : float
        Of the stars, from `curvature_of_star`.

    Returns
    -------
    numpy.ndarray
        ``mask`` itself if nothing is sharp, else a copy with the bits `SPIKE`, `LIMITED` and
        `SHARP`.
    """
    marked, curved = np.empty_like(mask), np.zeros(mask.shape[1], dtype=np.uint8)
    found = _mark_sharp(values, variance, np.float32(curvature), mask, marked, curved)
    return marked if found else mask


@kernel
def _mark_sharp(values, variance, curvature, mask, marked, curved):
    """Copy the mask and mark sharp pixels; return whether there are any."""
    ny, nx = values.shape
    found, inner = False, slice(1, nx - 1)
    for y in range(ny):
        for x in (0, nx - 1):
            if _may_be_sharp(values, variance, y, x):
                found = _mark_pixel(values, variance, curvature, y, x, mask, marked, found)
        above, below = values[max(y - 1, 0), inner], values[min(y + 1, ny - 1), inner]
        if not _which_are_curved(values[y], above, below, variance[y, inner], curved[inner]):
            continue
        for left in range(0, nx, _SEGMENT):
            right = min(left + _SEGMENT, nx)
            if _is_any(curved[left:right]):
                for x in range(left, right):
                    if curved[x]:
                        found = _mark_pixel(values, variance, curvature, y, x, mask, marked, found)
    return found


@kernel
def _mark_pixel(values, variance, curvature, y, x, mask, marked, found):
    """Mark what a pixel asks for; say whether anything was found so far."""
    sharp, spike = _is_sharp(values, variance, y, x), _is_spike(values, variance, curvature, y, x)
    if not (sharp or spike):
        return found
    if not found:
        for v in range(mask.shape[0]):
            for u in range(mask.shape[1]):
                marked[v, u] = mask[v, u]
    if sharp:
        _mark_around(marked, y, x)
    if spike:
        for v in range(max(y - 1, 0), y + 1):
            for u in range(max(x - 1, 0), x + 1):
                marked[v, u] |= SPIKE
    return True


@kernel
def _is_curved(middle, above, below, variance, p):
    """Return whether a pixel of a row has a significant second difference along an axis."""
    beside, beyond = middle[p] + middle[p + 2], above[p] + below[p]
    most = np.float32(2.0) * middle[p + 1] - (beside if beside < beyond else beyond)
    return (most > np.float32(0.0)) & (most * most > _SPIKE_SIGNIFICANT * variance[p])


@kernel
def _which_are_curved(middle, above, below, variance, curved):
    """Fill in for each pixel whether it is curved; return whether any is."""
    one, other = np.uint8(1), np.uint8(0)
    found = other
    for p in range(above.size):
        curved[p] = one if _is_curved(middle, above, below, variance, p) else other
        found = np.uint8(found | curved[p])  # without this the sum of bits has 64 of them
    return found != other


@kernel
def _is_any(curved):
    found = np.uint8(0)
    for p in range(curved.size):
        found = np.uint8(found | curved[p])
    return found != np.uint8(0)


@kernel
def _may_be_sharp(values, variance, y, x):
    """Return whether a pixel may be sharp or a spike, by a cheap test."""
    last_y, last_x = values.shape[0] - 1, values.shape[1] - 1
    left, right, up, down = max(x - 1, 0), min(x + 1, last_x), max(y - 1, 0), min(y + 1, last_y)
    twice = np.float32(2.0) * values[y, x]
    across = twice - values[y, left] - values[y, right]
    along = twice - values[up, x] - values[down, x]
    v0, v1, v2 = variance[y, x], variance[y, left], variance[y, right]
    v3, v4 = variance[up, x], variance[down, x]
    least, most = min(min(v0, v1, v2), min(v3, v4)), max(across, along)
    clear = (most <= 0) | (most * most < np.float32(0.99) * _SPIKE_SIGNIFICANT * least)
    return not clear or np.isnan(v0 + v1 + v2 + v3 + v4)


@kernel
def _is_sharp(values, variance, y, x):
    """Return whether a pixel is a sharp peak or edge along an axis; the outermost pixels repeat."""
    last_y, last_x = values.shape[0] - 1, values.shape[1] - 1
    centre = values[y, x]
    left, right, up, down = max(x - 1, 0), min(x + 1, last_x), max(y - 1, 0), min(y + 1, last_y)
    return _is_sharp_along(
        values[y, max(x - 2, 0)], values[y, left], centre, values[y, right],
        values[y, min(x + 2, last_x)], min(variance[y, left], variance[y, right]),
    ) or _is_sharp_along(
        values[max(y - 2, 0), x], values[up, x], centre, values[down, x],
        values[min(y + 2, last_y), x], min(variance[up, x], variance[down, x]),
    )  # fmt: skip


@kernel
def _is_spike(values, variance, curvature, y, x):
    """Return whether a pixel exceeds its neighbours more sharply than any star of the sub."""
    last_y, last_x = values.shape[0] - 1, values.shape[1] - 1
    centre = values[y, x]
    left, right, up, down = max(x - 1, 0), min(x + 1, last_x), max(y - 1, 0), min(y + 1, last_y)
    t1, t3, s1, s3 = values[y, left], values[y, right], values[up, x], values[down, x]
    # Neighbours bound the variance of a pixel that a cosmic ray has raised.
    beside = max(
        max(variance[y, left], variance[y, right]), max(variance[up, x], variance[down, x])
    )
    noise = np.sqrt(min(variance[y, x], _VARIANCE_OF_PEAK * beside))
    across = np.float32(2.0) * centre - t1 - t3
    along = np.float32(2.0) * centre - s1 - s3
    if not across + along > np.float32(4.0) * _SPIKE_SIGMAS * noise:
        return False
    t0, t4 = values[y, max(x - 2, 0)], values[y, min(x + 2, last_x)]
    s0, s4 = values[max(y - 2, 0), x], values[min(y + 2, last_y), x]
    spare = _SPIKE_NOISE * noise
    return (
        across > curvature * (centre - min(t0, t1, t3, t4)) + spare
        or along > curvature * (centre - min(s0, s1, s3, s4)) + spare
    )


@kernel
def _is_sharp_along(t0, t1, t2, t3, t4, variance):
    curvature = np.float32(2.0) * t2 - t1 - t3
    if not (curvature > 0 and curvature * curvature > _SIGNIFICANT * variance):
        return False
    lowest, highest = min(t0, t1, t2, t3, t4), max(t0, t1, t2, t3, t4)
    step = t2 - min(t1, t3)
    noise = np.sqrt(variance)
    return (
        curvature > _PEAK * (t2 - lowest) + _PEAK_NOISE * noise
        or step > _EDGE * (highest - lowest) + _EDGE_NOISE * noise
    )


@kernel
def _mark_around(mask, y, x):
    """Mark the fluxes that a place or its neighbours have a part in, and the samples of these.

    A flux from a sample to the next depends on pixels from one before to three after. A sample has
    a part in the flux before it and, as six columns are interpolated first, in those of columns
    from two before to three after.
    """
    ny, nx = mask.shape
    for v in range(max(y - 4, 0), min(y + 4, ny)):
        for u in range(max(x - 7, 0), min(x + 5, nx)):
            mask[v, u] |= SHARP
    for v in range(max(y - 4, 0), min(y + 3, ny)):
        for u in range(max(x - 4, 0), min(x + 3, nx)):
            mask[v, u] |= LIMITED
