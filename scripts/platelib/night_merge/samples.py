"""What is merged, and the result: night stacks and single subs as samples of each pixel."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from platelib.numerics import aligned


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


@dataclass(frozen=True)
class Merged:
    """The weighted mean of samples.

    Attributes
    ----------
    mean, variance : numpy.ndarray
        ``(ny, nx)`` float32; NaN where nothing was kept.
    weight : numpy.ndarray
        ``(ny, nx)`` float32: sum of the weights of the kept subs; 0 where nothing was kept.
    count, low, high : numpy.ndarray
        ``(ny, nx)`` int16: subs kept, rejected as low, rejected as high, by their night or here.
    tally : numpy.ndarray
        ``(n, 3)`` int64: pixels of each sample that have no data, were rejected as low, as high.
    """

    mean: np.ndarray
    variance: np.ndarray
    weight: np.ndarray
    count: np.ndarray
    low: np.ndarray
    high: np.ndarray
    tally: np.ndarray

    @property
    def planes(self) -> tuple[np.ndarray, ...]:
        """Mean, variance, weight, count, low and high."""
        return self.mean, self.variance, self.weight, self.count, self.low, self.high


def blank_merged(n: int, shape: tuple[int, int]) -> Merged:
    """Return an unfilled result of ``n`` samples and ``(ny, nx)`` pixels."""
    mean, variance, weight = (aligned.empty(shape, np.float32) for _ in range(3))
    count, low, high = (aligned.empty(shape, np.int16) for _ in range(3))
    tally = np.zeros((n, 3), dtype=np.int64)
    return Merged(mean, variance, weight, count, low, high, tally)
