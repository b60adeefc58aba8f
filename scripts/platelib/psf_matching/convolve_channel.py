"""Convolve a channel with its gaps and its noise."""

import numpy as np
from scipy.ndimage import label, maximum_filter

from platelib.psf_matching.convolution import convolved, noise_ratio

_MISSING_IN_THE_FIELD, _MISSING_AT_THE_EDGE = 0.002, 0.8


def soften(
    image: np.ndarray, variance: np.ndarray, taps: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    """Convolve a channel with a kernel.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32, NaN where there are no data.
    taps : numpy.ndarray
        ``(side, side)`` float64 of sum 1.

    Returns
    -------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32. Gaps inside the field grow by the reach of the kernel: most are
        cores of stars, and without its core a star's wings would come out too faint. At the edge
        of the field the rest of the kernel stands for all of it. The variance is that of each
        pixel by itself.
    factor : float
        By how much the noise of large sums over that from the variance has grown.
    """
    values, variances, missing = convolved(image, variance, taps)
    strict = _near_inner_gaps(image, len(taps) // 2)
    limit = np.where(strict, np.float32(_MISSING_IN_THE_FIELD), np.float32(_MISSING_AT_THE_EDGE))
    gone = missing > limit
    ratio = noise_ratio(taps)
    independent = float((taps * taps).sum())
    variances *= np.float32(ratio / independent)
    values[gone] = np.nan
    variances[gone] = np.nan
    return values, variances, float(f"{1 / np.sqrt(ratio):.6g}")


def _near_inner_gaps(image: np.ndarray, reach: int) -> np.ndarray:
    """Pixels from which a kernel reaches a gap that does not touch the edge of the image."""
    pieces, count = label(~np.isfinite(image), structure=np.ones((3, 3)))
    edges = (pieces[0], pieces[-1], pieces[:, 0], pieces[:, -1])
    inner = np.ones(count + 1, dtype=bool)
    inner[0] = False
    for edge in edges:
        inner[edge] = False
    return within_reach(inner[pieces], reach)


def within_reach(marked: np.ndarray, reach: int) -> np.ndarray:
    """Mark the pixels whose square of ``2 reach + 1`` pixels a side holds a marked one.

    Parameters
    ----------
    marked : numpy.ndarray
        ``(ny, nx)`` bool.
    reach : int

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool.
    """
    return maximum_filter(marked, size=2 * reach + 1, mode="constant", cval=False)
