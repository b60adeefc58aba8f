"""Convolve a channel with its gaps and its noise."""

import numpy as np

from platelib.numerics.pieces import pieces_of
from platelib.psf_matching.convolution import BAND_ROWS, convolve_rows, noise_ratio

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
    strict = _near_inner_gaps(image, len(taps) // 2)
    ratio = noise_ratio(taps)
    larger = np.float32(ratio / float((taps * taps).sum()))
    softened = np.empty((2, *image.shape), dtype=np.float32)
    limits = np.float32(_MISSING_AT_THE_EDGE), np.float32(_MISSING_IN_THE_FIELD)
    for start in range(0, len(image), BAND_ROWS):
        stop = min(start + BAND_ROWS, len(image))
        planes = np.empty((3, stop - start, image.shape[1]), dtype=np.float32)
        convolve_rows(image, variance, taps, (start, stop), planes)
        planes[1] *= larger
        planes[:2, planes[2] > np.where(strict[start:stop], limits[1], limits[0])] = np.nan
        softened[:, start:stop] = planes[:2]
    return softened[0], softened[1], float(f"{1 / np.sqrt(ratio):.6g}")


def _near_inner_gaps(image: np.ndarray, reach: int) -> np.ndarray:
    """Pixels from which a kernel reaches a gap that does not touch the edge of the image."""
    gaps = ~np.isfinite(image)
    pieces = pieces_of(gaps)
    inner = (pieces.boxes[:, 0::2] > 0) & (pieces.boxes[:, 1::2] < image.shape)
    gaps[:] = False
    pieces.grown_square(reach, gaps, inner[:, 0] & inner[:, 1])
    return gaps


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
    near = np.zeros(marked.shape, dtype=bool)
    pieces_of(marked).grown_square(reach, near)
    return near
