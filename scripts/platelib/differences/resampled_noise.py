"""Noise of a matched filter on resampled pixels, over that of independent ones.

Resampling spreads the noise of a raw pixel over its neighbours. A filter as wide as a star adds it
up again, so that its result is noisier than the variances of single pixels say.
"""

import numpy as np

from platelib.integration.noise_correlation import INNER_TAPS
from platelib.numerics.transform import Transform
from platelib.resampling.lanczos import lanczos

_LATTICE = (31, 37)
_TAPS = range(-2, 4)
_PHASES = 256


def axis_correlation(phases: np.ndarray) -> np.ndarray:
    """Return the covariance of samples along an axis, over the variance that the resampling gives.

    Parameters
    ----------
    phases : numpy.ndarray
        ``(n,)`` float64: subpixel phases of the samples, of which the mean is taken.

    Returns
    -------
    numpy.ndarray
        ``(6,)`` float64, for samples 0 to 5 pixels apart.
    """
    fraction = phases - np.floor(phases)
    weights = [lanczos(fraction, tap) for tap in _TAPS]
    counted = sum(float(np.mean(lanczos(fraction, tap) ** 2)) for tap in INNER_TAPS)
    reach = len(weights)
    shared = [
        sum(float(np.mean(weights[t] * weights[t + d])) for t in range(reach - d))
        for d in range(reach)
    ]
    return np.array(shared) / counted


def sub_correlation(transform: Transform, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Return the correlations of the pixels of a sub along y and x, see `axis_correlation`.

    Parameters
    ----------
    transform : Transform
        Grid to raw pixels.
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    """
    y, x = (
        np.rint((np.arange(count) + 0.5) * size / count - 0.5)
        for count, size in zip(_LATTICE, shape, strict=True)
    )
    raw_x, raw_y = transform(*np.meshgrid(x, y))
    down, across = axis_correlation(raw_y.ravel()), axis_correlation(raw_x.ravel())
    return (across, down) if transform.exchanges_axes else (down, across)


def mean_correlation() -> tuple[np.ndarray, np.ndarray]:
    """Return the correlations of the mean of many subs, whose phases are spread evenly."""
    mean = axis_correlation((np.arange(_PHASES) + 0.5) / _PHASES)
    return mean, mean


def noise_factor(
    weights: np.ndarray,
    correlation: tuple[np.ndarray, np.ndarray],
    taps: np.ndarray | None = None,
) -> float:
    """Return the variance of a weighted sum of pixels, over that of independent pixels.

    Parameters
    ----------
    weights : numpy.ndarray
        ``(side, side)`` float64: weights of the pixels.
    correlation : tuple of numpy.ndarray
        Along y and x, from `sub_correlation` or `mean_correlation`.
    taps : numpy.ndarray, optional
        ``(side, side)``: kernel that the pixels were convolved with before, which have the
        variance of those before the convolution in the comparison.
    """
    used = np.asarray(weights, dtype=np.float64)
    if taps is not None:
        used = _spread(used, np.asarray(taps, dtype=np.float64))
    ny, nx = used.shape
    total = 0.0
    for dy in range(-5, 6):
        for dx in range(-5, 6):
            below, above = used[max(dy, 0) : ny + min(dy, 0)], used[max(-dy, 0) : ny - max(dy, 0)]
            left = below[:, max(dx, 0) : nx + min(dx, 0)]
            right = above[:, max(-dx, 0) : nx - max(dx, 0)]
            share = correlation[0][abs(dy)] * correlation[1][abs(dx)]
            total += float(share) * float((left * right).sum())
    return total / float((np.asarray(weights) ** 2).sum())


def _spread(weights: np.ndarray, taps: np.ndarray) -> np.ndarray:
    """Return the weights of the pixels before a convolution."""
    radius = len(taps) // 2
    wide = np.zeros([size + 2 * radius for size in weights.shape])
    for v in range(len(taps)):
        for u in range(len(taps)):
            part = wide[v : v + weights.shape[0], u : u + weights.shape[1]]
            part += taps[v, u] * weights
    return wide
