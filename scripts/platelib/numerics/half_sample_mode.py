"""The half-sample mode."""

import numpy as np


def half_sample_mode(values: np.ndarray) -> float:
    """Return the value about which values crowd most, however long a tail is.

    Halves the sample again and again, to the half that is packed most closely.

    Parameters
    ----------
    values : numpy.ndarray
        At least one value, finite, in any order.

    Returns
    -------
    float

    References
    ----------
    Robertson & Cryer (1974), Journal of the American Statistical Association 69, 1012.
    """
    values = np.sort(values)
    while values.size > 3:
        half = (values.size + 1) // 2
        spans = values[half - 1 :] - values[: values.size - half + 1]
        start = int(np.argmin(spans))
        values = values[start : start + half]
    return float(np.median(values))
