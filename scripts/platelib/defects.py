"""Hot, unstable and dead pixels, found from darks and flats."""

import numpy as np
from scipy.ndimage import maximum_filter, median_filter

HOT, DEAD, UNSTABLE = 1, 2, 4
_CELL = 32


def hot_pixels(dark: np.ndarray, sigma: float) -> np.ndarray:
    """Find pixels whose dark signal stands out of their surroundings.

    Parameters
    ----------
    dark : numpy.ndarray
        ``(ny, nx)`` float32, master dark.
    sigma : float
        Limit in units of the spread of the surroundings about the local median, so that amplifier
        glow and its photon noise are not taken for hot pixels.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool.
    """
    # Reflected about the value at the edge, a slope goes on beyond it.
    wide = np.pad(np.nan_to_num(dark), 2, mode="reflect", reflect_type="odd")
    excess = dark - median_filter(wide, size=5)[2:-2, 2:-2]
    return _beyond(excess, sigma) & (excess > 0)


def unstable_pixels(scatter: np.ndarray, sigma: float) -> np.ndarray:
    """Find pixels that change from dark to dark by more than their surroundings do.

    Parameters
    ----------
    scatter : numpy.ndarray
        ``(ny, nx)`` float32, standard deviation of each pixel over the darks.
    sigma : float
        Limit in units of the spread of ``scatter`` in the surroundings.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool.
    """
    return _beyond(scatter, sigma)


def dead_pixels(flat: np.ndarray, response: float) -> np.ndarray:
    """Find pixels that see less than ``response`` of what their surroundings see.

    Parameters
    ----------
    flat : numpy.ndarray
        ``(ny, nx)`` float32, master flat around 1.
    response : float
        Fraction of the median along the row, so that a dead column is found too; between 0 and 1.
        Pixels that see more than ``2 - response`` of it count as well.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool.
    """
    local = median_filter(np.nan_to_num(flat), size=(1, 9), mode="mirror")
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = flat / local
    return ~((ratio > response) & (ratio < 2 - response)) | ~(flat > 0.05)


def _beyond(values: np.ndarray, sigma: float) -> np.ndarray:
    """Say which values exceed the median of their cell by ``sigma`` times its robust spread.

    The spread is the largest of the cell and those around it, and at least that of the frame.
    """
    centre, width = _centre_and_width(values)
    my, mx = (max(1, size // _CELL) for size in values.shape)
    rows, columns = (
        np.arange(size) * cells // size for size, cells in zip(values.shape, (my, mx), strict=True)
    )
    level, spread = np.empty((my, mx)), np.empty((my, mx))
    for j in range(my):
        band = values[rows == j]
        for i in range(mx):
            level[j, i], spread[j, i] = _centre_and_width(band[:, columns == i])
    spread = maximum_filter(np.fmax(spread, width), size=3, mode="nearest")
    level = np.where(np.isnan(level), centre, level)
    place = np.ix_(rows, columns)
    return values - level[place] > sigma * np.maximum(spread[place], 1e-12)


def _centre_and_width(values: np.ndarray) -> tuple[float, float]:
    known = values[np.isfinite(values)]
    if not known.size:
        return np.nan, np.nan
    centre = np.median(known)
    return float(centre), 1.482602218505602 * float(np.median(np.abs(known - centre)))
