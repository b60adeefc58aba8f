"""Robust mean of calibration frames that all show the same thing."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from platelib.clipping import KEPT, Rejection, average, reject

_ROUNDS = 3


@dataclass(frozen=True)
class Combined:
    """A block of a master.

    Attributes
    ----------
    mean : numpy.ndarray
        ``(ny, nx)`` float32.
    scatter : numpy.ndarray
        ``(ny, nx)`` float32, standard deviation of the kept samples of each pixel about their
        mean; 0 where one was kept.
    count : numpy.ndarray
        ``(ny, nx)`` int16, samples kept.
    struck : numpy.ndarray
        ``(ny, nx)`` int16, samples rejected.
    """

    mean: np.ndarray
    scatter: np.ndarray
    count: np.ndarray
    struck: np.ndarray

    @property
    def variance(self) -> np.ndarray:
        """Variance of the mean, ``(ny, nx)`` float32."""
        return (self.scatter**2 / np.maximum(self.count, 1)).astype(np.float32)


def combine_block(frames: np.ndarray, clip_sigma: float) -> Combined:
    """Combine a block of calibration frames.

    Parameters
    ----------
    frames : numpy.ndarray
        ``(n, ny, nx)`` float32; NaN = no data.
    clip_sigma : float
        Samples further from the median than this are left out, from three frames on. The spread is
        the median absolute deviation of the pixel's own samples, or that of the block's typical
        pixel where it is larger: the few samples of one pixel do not tell their spread.

    Returns
    -------
    Combined
    """
    n = len(frames)
    nothing, ones = np.zeros_like(frames), np.ones(n)
    rejection = Rejection("none")
    if n >= 3:
        floor = _typical_spread(frames)
        rejection = Rejection("mad", clip_sigma, clip_sigma, _ROUNDS, floor=floor)
    flags = reject(frames, nothing, ones, 0.0, rejection)
    result = average(frames, nothing, ones, flags)
    squares = np.where(flags == KEPT, (frames - result.mean) ** 2, np.float32(0.0))
    freedom = np.maximum(result.count - 1, 1)
    scatter = np.sqrt(squares.sum(axis=0, dtype=np.float64) / freedom).astype(np.float32)
    return Combined(result.mean, scatter, result.count, (result.low + result.high).astype(np.int16))


def _typical_spread(frames: np.ndarray) -> float:
    """Standard deviation of the median pixel, freed of the bias of the median of few samples."""
    spreads = frames[:, ::2, ::2].var(axis=0, ddof=1, dtype=np.float64)
    spreads = spreads[np.isfinite(spreads)]
    if not spreads.size:
        return 0.0
    freedom = len(frames) - 1
    return float(np.sqrt(np.median(spreads) * freedom / chi2.median(freedom)))
