"""Robust statistics of the columns of an array with gaps."""

import numpy as np

from platelib.numerics.constants import MAD_TO_SIGMA


def column_medians(values: np.ndarray) -> np.ndarray:
    """Return the median of each column, without its NaN; NaN for columns of NaN alone.

    `numpy.nanmedian` takes ten times as long and warns of empty columns.

    Parameters
    ----------
    values : numpy.ndarray
        ``(n, m)`` float64.

    Returns
    -------
    numpy.ndarray
        ``(m,)`` float64.
    """
    if not values.shape[0]:
        return np.full(values.shape[1:], np.nan)
    ordered = np.sort(values, axis=0)  # NaN last
    count = np.isfinite(ordered).sum(axis=0)
    columns = np.arange(values.shape[1])
    low = ordered[np.maximum(count - 1, 0) // 2, columns]
    high = ordered[np.minimum(count // 2, len(ordered) - 1), columns]
    return np.where(count > 0, 0.5 * (low + high), np.nan)


def column_scatter(values: np.ndarray) -> np.ndarray:
    """Return the standard deviation of each column by its median absolute deviation.

    Parameters
    ----------
    values : numpy.ndarray
        ``(n, m)`` float64, NaN = no value.

    Returns
    -------
    numpy.ndarray
        ``(m,)`` float64. Small samples are corrected by ``n / (n - 0.8)`` (Croux & Rousseeuw 1992,
        from memory).
    """
    count = np.isfinite(values).sum(axis=0)
    spread = MAD_TO_SIGMA * column_medians(np.abs(values - column_medians(values)))
    return spread * count / np.maximum(count - 0.8, 0.2)


def biweights(deviations: np.ndarray, cut: float) -> np.ndarray:
    """Return Tukey's biweights; 0 for NaN.

    Parameters
    ----------
    deviations : numpy.ndarray
        Of any shape, in standard deviations.
    cut : float
        Where the weight vanishes.
    """
    inside = 1.0 - (deviations / cut) ** 2
    return np.where(inside > 0, inside, 0.0) ** 2  # NaN compares as False
