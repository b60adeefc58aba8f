"""Noise correlation: the noise of sums over many pixels relative to the pixel variances.

Resampling spreads the noise of a raw pixel over neighbours, so that each pixel of the result has
less of it than a sum over many has for each of its pixels.
"""

from collections.abc import Sequence

import numpy as np

from platelib.numerics.transform import Transform
from platelib.resampling.lanczos import lanczos

_LATTICE = (31, 37)
"""Rows and columns of places on the grid at which subpixel phases are taken; primes, so that
phases do not repeat where the pixels of a sub and of the grid drift apart by a simple fraction."""
INNER_TAPS = range(-1, 3)
"""Pixels along an axis that count in the variances of the result."""
_PHASES = np.linspace(0.0, 0.5, 1025)
_SQUARES = np.sum([lanczos(_PHASES, tap) ** 2 for tap in INNER_TAPS], axis=0)


def noise_correlation(
    transforms: Sequence[Transform],
    weights: Sequence[float] | np.ndarray,
    noise: Sequence[float] | np.ndarray,
    shape: tuple[int, int],
) -> float:
    """Return the noise of a sum over many pixels of a weighted mean, over that from its variances.

    Parameters
    ----------
    transforms : sequence of Transform
        Grid to raw pixels, of each sub.
    weights : array_like
        ``(n,)``: weights of the subs in the mean.
    noise : array_like
        ``(n,)``: noise of the sky of each sub, in the unit of the mean.
    shape : tuple of int
        ``(ny, nx)`` of the grid.

    Returns
    -------
    float
        1 where each sub is laid on the grid by whole pixels.

    Notes
    -----
    A sub of variance ``v`` a raw pixel adds ``w^2 v q`` to the variance of each pixel, with ``q``
    the mean over the grid of the sum of the squared weights of the kernel, which depends on the
    subpixel phases alone. The kernel's weights sum to 1 for each sample, and a raw pixel meets
    ``1 / a`` samples if a pixel of the grid covers the area of ``a`` raw ones; so a sum over ``N``
    pixels of the grid has the variance ``N w^2 v / a``. The result is the square root of the ratio
    of both, each added up over the subs. Rejection and light too sharp for the kernel are left out
    of account.
    """
    rows, columns = (
        (np.arange(min(count, size)) + 0.5) * size / min(count, size) - 0.5
        for count, size in zip(_LATTICE, shape, strict=True)
    )
    x, y = np.meshgrid(np.rint(columns), np.rint(rows))
    of_sums = of_pixels = 0.0
    for transform, weight, sigma in zip(transforms, weights, noise, strict=True):
        share = (float(weight) * float(sigma)) ** 2
        at_x, at_y = transform(x, y)
        of_pixels += share * float(np.mean(_squares(at_x) * _squares(at_y)))
        of_sums += share * float(np.mean(1 / _area(transform, x, y)))
    return float(np.sqrt(of_sums / of_pixels))


def _squares(at: np.ndarray) -> np.ndarray:
    """Return the sum of squared kernel weights along an axis, at raw positions."""
    # Places are as exact as their coefficients: whole pixels may lie a hair below.
    return np.interp(np.abs(at - np.rint(at)), _PHASES, _SQUARES)


def _area(transform: Transform, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Area of raw pixels that a pixel of the grid covers."""
    half = 0.5
    right, left = transform(x + half, y), transform(x - half, y)
    below, above = transform(x, y + half), transform(x, y - half)
    across = [one - other for one, other in zip(right, left, strict=True)]
    down = [one - other for one, other in zip(below, above, strict=True)]
    return np.abs(across[0] * down[1] - across[1] * down[0])
