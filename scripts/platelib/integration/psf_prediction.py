"""Prediction of a sample from the partners of its sub, after PSF matching.

The prediction is the weighted median over the partners, each convolved by the kernel that leads
from its star image to that of the sub (:mod:`platelib.integration.psf_kernels`). ``compared`` is a
`platelib.integration.psf_comparison.Comparison`, ``i`` the number of the sub.
"""

import numpy as np

from platelib.numerics.kernels import kernel

MISFITS = 1.25
"""Misfits of the kernels by which a sample may miss its prediction."""
_SPREAD_SHARE = 0.004
"""Share of the brightest pixel under a kernel by which predictions of the wings may miss."""
_LARGEST_MISSING = 0.05
"""Share of a kernel, by absolute values, that may lie on pixels without data."""
QUIET = 2.0
"""Noise, in variances of the sample, up to which predictions decide alone."""


@kernel
def light_of_partners(values, i, y, x, sky, compared, work):
    """Light of the partners within a pixel of a place, and how much more a star image may have.

    Returns
    -------
    summit : float
        Median over the partners of their brightest of 3 x 3 pixels; -1 without partners.
    mean : float
        Largest mean of 3 x 3 pixels of a partner.
    bound : float
        By what share the star image of the sub may exceed that of the partners.
    softness : float
        Width of the sub's stars over that of the sharpest partner.
    """
    _, ny, nx = values.shape
    count = 0
    mean, bound, softness = 0.0, 0.3, 0.0
    for k in range(compared.partners.shape[1]):
        j = compared.partners[i, k]
        summit, total, known = -np.inf, 0.0, 0
        for v in range(max(0, y - 1), min(ny, y + 2)):
            for u in range(max(0, x - 1), min(nx, x + 2)):
                value = values[j, v, u]
                if value == value:
                    summit = max(summit, float(value))
                    total += value
                    known += 1
        if known == 0:
            continue
        work[0, count] = max(summit - sky, 0.0)
        count += 1
        mean = max(mean, total / known - sky)
        ratio = compared.fwhm_px[j] / compared.fwhm_px[i]
        bound = max(bound, ratio * ratio - 1.0)
        softness = max(softness, 1.0 / ratio)
    if count == 0:
        return -1.0, 0.0, 0.0, 0.0
    sort_with(work[0], work[1], count)
    return 0.5 * (work[0, (count - 1) // 2] + work[0, count // 2]), mean, bound, softness


@kernel
def predict(values, variances, i, y, x, sky, compared, work):
    """Predict a sample from its partners.

    Returns
    -------
    light, variance, misfit : float
        A variance of -1 says that there is no prediction.
    top : float
        Light of the brightest pixel under the kernels; the least over the partners.
    count : int
        Partners that took part.
    """
    found, weight, misfit = work[0], work[1], work[2]
    count, top = 0, np.inf
    for k in range(compared.partners.shape[1]):
        j = compared.partners[i, k]
        value, noise, summit = convolve(values[j], variances[j], y, x, sky, compared.taps[i, k])
        if noise > 0.0:
            error = max(value, 0.0) * compared.misfit[i, k]
            found[count] = value
            weight[count] = 1.0 / (noise + error * error)
            top = min(top, summit)
            misfit[count] = compared.misfit[i, k]
            count += 1
    if count == 0:
        return 0.0, -1.0, 0.0, 0.0, 0
    total, error = 0.0, 0.0
    for k in range(count):
        total += weight[k]
        error += weight[k] * misfit[k]
    if count == 2:
        middle = (weight[0] * found[0] + weight[1] * found[1]) / total
        return middle, 1.0 / total, error / total, top, count
    sort_with(found, weight, count)
    below, middle = 0.0, found[count - 1]
    for k in range(count):
        below += weight[k]
        if 2.0 * below >= total:
            middle = found[k]
            break
    # A median has pi / 2 times the variance of a mean.
    factor = 1.5707963267948966 if count > 2 else 1.0
    return middle, factor / total, error / total, top, count


@kernel
def convolve(plane, variance, y, x, sky, taps):
    """Light of a partner under a kernel, its variance and the brightest pixel.

    The variance is -1 where too much of the kernel has no data.
    """
    ny, nx = plane.shape
    radius = taps.shape[0] // 2
    total, noise, there, missing, top = 0.0, 0.0, 0.0, 0.0, 0.0
    inside = radius <= y < ny - radius and radius <= x < nx - radius
    for v in range(-radius, radius + 1):
        row = y + v if inside else min(max(y + v, 0), ny - 1)
        for u in range(-radius, radius + 1):
            column = x + u if inside else min(max(x + u, 0), nx - 1)
            tap = taps[radius + v, radius + u]
            value = plane[row, column]
            if value == value:
                total += tap * (value - sky)
                noise += tap * tap * variance[row, column]
                there += abs(tap)
                top = max(top, value - sky)
            else:
                missing += abs(tap)
    if missing > _LARGEST_MISSING * (there + missing):
        return 0.0, -1.0, top
    whole = (there + missing) / there
    return total * whole, noise * whole * whole, top


@kernel
def allowed(around, misfit, top, compared):
    """Return the allowed error of predictions in addition to the noise."""
    return max(compared.tolerance, misfit) * around + _SPREAD_SHARE * top


@kernel
def sort_with(keys, carried, count):
    """Sort a few keys in place, with their values."""
    for k in range(1, count):
        key, other = keys[k], carried[k]
        m = k - 1
        while m >= 0 and keys[m] > key:
            keys[m + 1], carried[m + 1] = keys[m], carried[m]
            m -= 1
        keys[m + 1], carried[m + 1] = key, other
