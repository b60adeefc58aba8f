"""Two pictures of one field in one: white where both shine, coloured where one does."""

import numpy as np

_WEIGHTS = (0.2126, 0.7152, 0.0722)
"""Of red, green and blue in the brightness (IEC 61966-2-1)."""


def blend(picture: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Show the brightness of a picture in green and blue, that of another one in red.

    Parameters
    ----------
    picture : numpy.ndarray
        ``(ny, nx, 3)`` display values from 0 to 1.
    other : numpy.ndarray
        ``(ny, nx)`` display values from 0 to 1; NaN where it does not reach, there the picture
        stays grey.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx, 3)``.
    """
    grey = sum(weight * picture[..., k] for k, weight in enumerate(_WEIGHTS))
    red = np.where(np.isfinite(other), other, grey)
    return np.stack([red, grey, grey], axis=-1)
