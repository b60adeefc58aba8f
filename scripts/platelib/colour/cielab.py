"""CIE Lab and its distance CIEDE2000: how different two colours look.

Pictures are drawn in Oklab, whose hues are straighter in blue (`platelib.colour.srgb`); distances
are told in the space that standards tell them in.

References
----------
CIE 15:2004 (ISO/CIE 11664-4): L*, a*, b*; white is D65 as in IEC 61966-2-1.
Sharma, Wu, Dalal (2005), Color Research and Application 30, 21: CIEDE2000, equations 2 to 22.
"""

import numpy as np

from platelib.colour.srgb import LINEAR_TO_XYZ

_WHITE = LINEAR_TO_XYZ.sum(axis=1)
_KNEE = 6 / 29
_FAR = 25.0**7


def to_cielab(light: np.ndarray) -> np.ndarray:
    """Turn linear sRGB light into CIE Lab.

    Parameters
    ----------
    light : numpy.ndarray
        ``(3, ...)`` red, green, blue, linear, white 1.

    Returns
    -------
    numpy.ndarray
        ``(3, ...)`` float64: L* (white 100), a*, b*.
    """
    first, second, third = np.asarray(light, dtype=np.float64)
    x, y, z = (
        _curved((row[0] * first + row[1] * second + row[2] * third) / white)
        for row, white in zip(LINEAR_TO_XYZ, _WHITE, strict=True)
    )
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def _curved(ratio: np.ndarray) -> np.ndarray:
    straight = ratio / (3 * _KNEE**2) + 4 / 29
    return np.where(ratio > _KNEE**3, np.cbrt(ratio), straight)


def delta_e_2000(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return the distance CIEDE2000 of colours; one is about what the eye can just tell.

    Parameters
    ----------
    one, other : numpy.ndarray
        ``(3, ...)`` CIE Lab.

    Returns
    -------
    numpy.ndarray
        ``(...)`` float64.
    """
    chromas = [np.hypot(lab[1], lab[2]) for lab in (one, other)]
    stretch = 1.5 - 0.5 * _vivid((chromas[0] + chromas[1]) / 2)
    a = [lab[1] * stretch for lab in (one, other)]
    chroma = [np.hypot(x, lab[2]) for x, lab in zip(a, (one, other), strict=True)]
    hue = [np.degrees(np.arctan2(lab[2], x)) % 360 for x, lab in zip(a, (one, other), strict=True)]
    grey = chroma[0] * chroma[1] == 0
    turn = (hue[1] - hue[0] + 180) % 360 - 180
    turn = np.where(grey, 0.0, np.where(turn == -180, 180.0, turn))
    gap = 2 * np.sqrt(chroma[0] * chroma[1]) * np.sin(np.radians(turn / 2))
    lightness, mean_chroma = (one[0] + other[0]) / 2, (chroma[0] + chroma[1]) / 2
    mean_hue = np.where(grey, hue[0] + hue[1], _mean_hue(hue[0], hue[1]))
    wave = (
        1
        - 0.17 * np.cos(np.radians(mean_hue - 30))
        + 0.24 * np.cos(np.radians(2 * mean_hue))
        + 0.32 * np.cos(np.radians(3 * mean_hue + 6))
        - 0.20 * np.cos(np.radians(4 * mean_hue - 63))
    )
    dark = (lightness - 50) ** 2
    by_lightness = (other[0] - one[0]) / (1 + 0.015 * dark / np.sqrt(20 + dark))
    by_chroma = (chroma[1] - chroma[0]) / (1 + 0.045 * mean_chroma)
    by_hue = gap / (1 + 0.015 * mean_chroma * wave)
    spread = 30 * np.exp(-(((mean_hue - 275) / 25) ** 2))
    rotation = -2 * _vivid(mean_chroma) * np.sin(np.radians(2 * spread))
    total = by_lightness**2 + by_chroma**2 + by_hue**2 + rotation * by_chroma * by_hue
    return np.sqrt(np.maximum(total, 0.0))


def _vivid(chroma: np.ndarray) -> np.ndarray:
    return np.sqrt(chroma**7 / (chroma**7 + _FAR))


def _mean_hue(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return the mean of two angles along the shorter way, equation 14."""
    total = one + other
    far = np.abs(one - other) > 180
    return np.where(far, np.where(total < 360, total + 360, total - 360), total) / 2
