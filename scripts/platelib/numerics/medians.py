"""Medians and median absolute deviations of whole arrays."""

import numpy as np
import numpy.typing as npt

from platelib.numerics.constants import MAD_TO_SIGMA

_MANY = 50_000
"""Values from which on counting, with compiled kernels, is faster than a partition."""


def median_of(values: np.ndarray) -> float:
    """Return the result of `numpy.median` for an array without NaN, in a quarter of the time.

    Parameters
    ----------
    values : numpy.ndarray
        Of any shape, not empty, floating point.
    """
    if _is_counted(values, None):
        from platelib.numerics.radix_select import middle  # compiled kernels

        return float(middle(values))
    half = values.size // 2
    parted = np.partition(values, half, axis=None)
    upper = parted[half]
    return float(upper if values.size % 2 else (parted[:half].max() + upper) / 2)


def mad_sigma(values: npt.ArrayLike, centre: float | np.floating | None = None) -> float:
    """Return the standard deviation by the median absolute deviation, for normal scatter.

    `astropy.stats.mad_std` does the same about the median; its import takes 0.13 s, which steps
    that measure stars do not spend otherwise.

    Parameters
    ----------
    values : array_like
        Not empty, without NaN.
    centre : float, optional
        Deviations are taken from it; from the median if it is left out.
    """
    values = np.asarray(values)
    if centre is None:
        centre = np.float32(median_of(values)) if _is_counted(values, None) else np.median(values)
    if _is_counted(values, centre):
        from platelib.numerics.radix_select import middle  # compiled kernels

        return MAD_TO_SIGMA * float(middle(values, np.float32(centre)))
    return MAD_TO_SIGMA * float(np.median(np.abs(values - centre)))


def _is_counted(values: np.ndarray, centre: float | np.floating | None) -> bool:
    """Return whether values are many, and they and their deviations float32."""
    dtype = values.dtype if centre is None else np.result_type(values, centre)
    return values.size >= _MANY and values.dtype == np.float32 and dtype == np.float32
