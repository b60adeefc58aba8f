"""White balance by the mean star: factors that make it colourless.

Stars are found once, on the sum of all planes in units of their noise, and measured in circles
at the same places in each plane. Extended objects, stars that may be saturated, faint ones and
those of odd colour do not count.
"""

from dataclasses import dataclass

import numpy as np

from platelib.colour.picture_stars import find_stars, measure_stars, radius_of
from platelib.numerics.constants import MAD_TO_SIGMA

MIN_STARS = 8
_MIN_SNR = 10.0
_PEAK_LIMIT = 0.5
_CLIP_SIGMA = 3.0


@dataclass(frozen=True)
class White:
    """Factors of the planes with their uncertainty.

    Attributes
    ----------
    factors : tuple of float
        Multiply red, green and blue by these; green's is 1.
    scatter : tuple of float
        Standard deviation of one star's factor, as a fraction (robust).
    stars : int
        Number of stars used.
    note : str
        A sentence where the factors could not be measured, else empty.
    """

    factors: tuple[float, ...]
    scatter: tuple[float, ...]
    stars: int
    note: str = ""


def mean_star(planes: np.ndarray, noise: tuple[float, ...], reference: int = 1) -> White:
    """Make the median star of the field white.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, background subtracted, NaN for no data; red, green and blue, or
        channels.
    noise : tuple of float
        Standard deviation of a sky pixel in each plane.
    reference : int
        Plane whose factor is 1; green, if it is not told.

    Returns
    -------
    White
        With fewer than `MIN_STARS` stars the planes are left as they are, and the note says so.

    Notes
    -----
    The factor of a plane is the median over the stars of the ratio of the reference's flux to the
    plane's flux, after stars further than 3 sigma from the median have been left out.
    """
    x, y, width = find_stars(planes, noise)
    flux, peak = measure_stars(planes, x, y, width)
    error = np.asarray(noise) * np.sqrt(np.pi) * radius_of(width)
    good = (flux > _MIN_SNR * error[:, None]).all(axis=0)
    if good.any():
        # With no saturation level at hand, the brightest peak there is stands in for it.
        good &= (peak <= _PEAK_LIMIT * peak[:, good].max(axis=1, keepdims=True)).all(axis=0)
    ratio = np.log(flux[reference, good] / flux[:, good])
    ratio = ratio[:, _of_one_colour(ratio)]
    count = ratio.shape[1]
    if count < MIN_STARS:
        note = (
            f"only {count} stars could be used for the white balance and {MIN_STARS} are needed: "
            "the colours are left as they are; set white: given and scale in the recipe"
        )
        return White((1.0,) * len(planes), (0.0,) * len(planes), count, note)
    middle = np.median(ratio, axis=1)
    scatter = MAD_TO_SIGMA * np.median(np.abs(ratio - middle[:, None]), axis=1)
    return White(rounded(np.exp(middle)), rounded(scatter), count)


def _of_one_colour(ratio: np.ndarray) -> np.ndarray:
    """Return which stars are within 3 sigma of the median in every ratio; repeated until steady."""
    kept = np.ones(ratio.shape[1], dtype=bool)
    while kept.any():
        middle = np.median(ratio[:, kept], axis=1, keepdims=True)
        distance = np.abs(ratio - middle)
        sigma = MAD_TO_SIGMA * np.median(distance[:, kept], axis=1, keepdims=True)
        fewer = kept & (distance <= _CLIP_SIGMA * sigma + 1e-6).all(axis=0)
        if fewer.sum() == kept.sum():
            break
        kept = fewer
    return kept


def rounded(values: np.ndarray) -> tuple[float, ...]:
    """Round to six digits, below which results differ between processors."""
    return tuple(float(f"{value:.6g}") for value in values)
