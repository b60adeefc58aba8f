"""The samples of each pixel that are merged: night stacks and single subs."""

from typing import NamedTuple

import numpy as np


class NightSamples(NamedTuple):
    """Samples of each pixel: night stacks, and single subs of nights with few subs.

    Attributes
    ----------
    values : numpy.ndarray
        ``(n, ny, nx)`` float32: weighted means on one photometric scale; NaN = no data.
    variances : numpy.ndarray
        ``(n, ny, nx)`` float32: their expected variances.
    weights : numpy.ndarray
        ``(n, ny, nx)`` float32: sums of the absolute weights of the subs that were kept.
    counts, low, high : numpy.ndarray
        ``(n, ny, nx)`` int16: subs kept, rejected as low, rejected as high; 0 without data.
    """

    values: np.ndarray
    variances: np.ndarray
    weights: np.ndarray
    counts: np.ndarray
    low: np.ndarray
    high: np.ndarray
