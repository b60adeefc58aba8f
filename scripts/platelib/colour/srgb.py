"""Display values, linear light and the perceptual space Oklab.

References
----------
IEC 61966-2-1:1999, sRGB: transfer curve.
B. Ottosson (2020), "A perceptual color space for image processing",
https://bottosson.github.io/posts/oklab/: the matrices from linear sRGB.
"""

from functools import cache

import numpy as np

LINEAR_TO_CONES = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
CONES_TO_OKLAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
CONES_TO_LINEAR = np.linalg.inv(LINEAR_TO_CONES)
OKLAB_TO_CONES = np.linalg.inv(CONES_TO_OKLAB)


def encode(light: np.ndarray) -> np.ndarray:
    """Convert linear light to sRGB display values (IEC 61966-2-1).

    Parameters
    ----------
    light : array-like
        Linear light, black 0, white 1. Negative values are encoded by the straight part.

    Returns
    -------
    numpy.ndarray
        Display values, float64, black 0, white 1.
    """
    light = np.asarray(light, dtype=np.float64)
    curved = 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, 12.92 * light, curved)


def decode(display: np.ndarray) -> np.ndarray:
    """Convert sRGB display values to linear light; the inverse of `encode`."""
    display = np.asarray(display, dtype=np.float64)
    curved = ((np.maximum(display, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.where(display <= 0.04045, display / 12.92, curved)


@cache
def light_of_levels() -> np.ndarray:
    """Return the linear light of each 16-bit display value, ``(65536,)`` float64."""
    return decode(np.arange(65536) / 65535)


def to_oklab(light: np.ndarray) -> np.ndarray:
    """Convert linear sRGB light to Oklab.

    Parameters
    ----------
    light : numpy.ndarray
        ``(3, ...)`` red, green, blue, linear, white 1.

    Returns
    -------
    numpy.ndarray
        ``(3, ...)`` float64: lightness (white 1), and the opponent colours a and b.
    """
    return _mix(CONES_TO_OKLAB, np.cbrt(_mix(LINEAR_TO_CONES, light)))


def from_oklab(lab: np.ndarray) -> np.ndarray:
    """Convert Oklab to linear sRGB light; the inverse of `to_oklab`."""
    return _mix(CONES_TO_LINEAR, _mix(OKLAB_TO_CONES, lab) ** 3)


def _mix(matrix: np.ndarray, planes: np.ndarray) -> np.ndarray:
    """Multiply by a matrix term by term: a BLAS product's bits differ between processors."""
    first, second, third = np.asarray(planes, dtype=np.float64)
    return np.stack([row[0] * first + row[1] * second + row[2] * third for row in matrix])
