"""Convolution of an image with a small kernel without gaps, and its effect on noise."""

import numpy as np

from platelib.numerics.kernels import allocating_kernel, kernel
from platelib.resampling.lanczos import lanczos

_PHASES = 1024


def convolved(
    image: np.ndarray, variance: np.ndarray, taps: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Convolve an image.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32, NaN where there are no data.
    taps : numpy.ndarray
        ``(2 r + 1, 2 r + 1)`` float64 of sum 1; ``taps[r + j, r + i]`` carries the light of a
        pixel to the one that lies j rows up and i columns to the right.

    Returns
    -------
    values, variances : numpy.ndarray
        ``(ny, nx)`` float32. Where part of the kernel lies on gaps or beyond the edge, the rest
        of it is brought to sum 1; NaN where there are no data. The variance is that of
        independent pixels, see `noise_ratio`.
    missing : numpy.ndarray
        ``(ny, nx)`` float32: share of the kernel, by absolute values, that had no data.
    """
    shape = image.shape
    values, variances, missing = np.empty((3, *shape), dtype=np.float32)
    turned = np.ascontiguousarray(taps[::-1, ::-1])
    there = np.isfinite(image)
    filled = np.where(there, image, np.float32(0))
    noise = np.where(there, variance, np.float32(0))
    _convolve(filled, noise, there.astype(np.float32), turned, values, variances, missing)
    return values, variances, missing


def noise_ratio(taps: np.ndarray) -> float:
    """Variance of a convolved pixel over that of the image, for noise as the resampling leaves it.

    Neighbours of an integrated channel are alike, because they share raw pixels; so averaging them
    gains less than if they were independent. The correlation is that of Lanczos-3 sampling at
    uniformly distributed phases, the product of one for each axis.
    """
    radius = len(taps) // 2
    phase = (np.arange(_PHASES) + 0.5) / _PHASES
    weights = [lanczos(phase, tap) for tap in range(-2, 4)]
    reach = len(weights)
    shared = [
        sum(float(np.mean(weights[t] * weights[t + d])) for t in range(reach - d))
        for d in range(reach)
    ]
    alike = [shared[abs(d)] / shared[0] for d in range(1 - reach, reach)]
    side = 2 * radius + 1
    padded = np.zeros((side + 2 * reach - 2, side + 2 * reach - 2))
    padded[reach - 1 : reach - 1 + side, reach - 1 : reach - 1 + side] = taps
    total = 0.0
    for j, down in enumerate(alike):
        for i, across in enumerate(alike):
            total += down * across * float((taps * padded[j : j + side, i : i + side]).sum())
    return total


@allocating_kernel
def _convolve(image, variance, there, taps, values, variances, missing):
    """Convolve; a gap is 0 in all of the first three."""
    ny, nx = image.shape
    radius = taps.shape[0] // 2
    light, spread, weight, absolute = np.empty((4, nx))
    full = np.abs(taps).sum()
    for y in range(ny):
        light[:] = 0.0
        spread[:] = 0.0
        weight[:] = 0.0
        absolute[:] = 0.0
        for j in range(max(0, radius - y), min(taps.shape[0], ny + radius - y)):
            row = y + j - radius
            for i in range(taps.shape[1]):
                tap = taps[j, i]
                if tap != 0.0:
                    shift = i - radius
                    first, last = max(0, -shift), min(nx, nx - shift)
                    here, beside = slice(first, last), slice(first + shift, last + shift)
                    _add_scaled(light[here], image[row, beside], tap)
                    _add_scaled(spread[here], variance[row, beside], tap * tap)
                    _add_scaled(weight[here], there[row, beside], tap)
                    _add_scaled(absolute[here], there[row, beside], abs(tap))
        for x in range(nx):
            missing[y, x] = 1.0 - absolute[x] / full
            usable = there[y, x] > 0 and weight[x] > 0.1
            values[y, x] = light[x] / weight[x] if usable else np.nan
            variances[y, x] = spread[x] / (weight[x] * weight[x]) if usable else np.nan


@kernel
def _add_scaled(total, line, factor):
    for x in range(total.size):
        total[x] += factor * line[x]


def warm_up() -> None:
    """Compile the kernels of this module."""
    image = np.ones((5, 6), dtype=np.float32)
    convolved(image, image, np.full((3, 3), 1 / 9))
