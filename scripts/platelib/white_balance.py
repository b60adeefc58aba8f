"""What is white: factors that make the mean star of the field colourless.

Stars are found once, on the sum of all planes in units of their noise, and measured in circles
at the same places in each plane. Extended objects, stars that may be saturated, faint ones and
those of odd colour do not count.
"""

from dataclasses import dataclass

import numpy as np
import sep

from platelib.modes import half_sample_mode

MIN_STARS = 8
_DETECTION_SIGMA = 8.0
_CELL_PX = 64
_MIN_SNR = 10.0
_MAX_ELLIPTICITY = 0.3
_WIDTH_TOLERANCE = 0.2
_PEAK_LIMIT = 0.5
_CLIP_SIGMA = 3.0
_MAD_TO_SIGMA = 1.482602218505602


@dataclass(frozen=True)
class White:
    """Factors of the planes and how well they are known.

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


def mean_star(planes: np.ndarray, noise: tuple[float, ...], min_stars: int = MIN_STARS) -> White:
    """Make the median star of the field white.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(3, ny, nx)`` float32 red, green, blue, linear, sky taken off, NaN for no data.
    noise : tuple of float
        Standard deviation of a sky pixel in each plane.
    min_stars : int
        With fewer stars the planes are left as they are, and the note says so.

    Returns
    -------
    White

    Notes
    -----
    The factor of a plane is the median over the stars of the ratio of green flux to the
    plane's flux, after stars further than 3 sigma from the median have been left out.
    """
    x, y, width = _find_stars(planes, noise)
    flux, peak = _measure(planes, x, y, width)
    error = np.asarray(noise) * np.sqrt(np.pi) * _radius(width)
    good = (flux > _MIN_SNR * error[:, None]).all(axis=0)
    if good.any():
        # With no saturation level at hand, the brightest peak there is stands in for it.
        good &= (peak <= _PEAK_LIMIT * peak[:, good].max(axis=1, keepdims=True)).all(axis=0)
    ratio = np.log(flux[1, good] / flux[:, good])
    ratio = ratio[:, _of_one_colour(ratio)]
    count = ratio.shape[1]
    if count < max(min_stars, 1):
        note = (
            f"only {count} stars could be used for the white balance and {min_stars} are needed: "
            "the colours are left as they are; set white: given and scale in the recipe"
        )
        return White((1.0, 1.0, 1.0), (0.0, 0.0, 0.0), count, note)
    middle = np.median(ratio, axis=1)
    scatter = _MAD_TO_SIGMA * np.median(np.abs(ratio - middle[:, None]), axis=1)
    return White(_rounded(np.exp(middle)), _rounded(scatter), count)


def _find_stars(
    planes: np.ndarray, noise: tuple[float, ...]
) -> tuple[np.ndarray, np.ndarray, float]:
    """Return x, y (0-based) and the typical full width at half maximum of point sources."""
    missing = ~np.isfinite(planes).all(axis=0)
    total = np.zeros(planes.shape[1:], dtype=np.float32)
    for plane, sigma in zip(planes, noise, strict=True):
        total += plane / np.float32(sigma * np.sqrt(len(planes)))
    total[missing] = 0.0
    background = sep.Background(total, mask=missing, bw=_CELL_PX, bh=_CELL_PX)
    sep.set_extract_pixstack(max(300_000, total.size // 4))
    found = sep.extract(
        total - background.back(),
        _DETECTION_SIGMA,
        err=np.maximum(background.rms(), 1.0),
        mask=missing,
        minarea=5,
    )
    width = 2 * np.sqrt(np.log(2) * (found["a"] ** 2 + found["b"] ** 2))
    round_enough = (found["flag"] == 0) & (found["b"] >= (1 - _MAX_ELLIPTICITY) * found["a"])
    if not round_enough.any():
        return np.empty(0), np.empty(0), 1.0
    typical = half_sample_mode(width[round_enough])
    star = round_enough & (np.abs(width / typical - 1) <= _WIDTH_TOLERANCE)
    return found["x"][star], found["y"][star], typical


def _radius(width: float) -> float:
    return 1.5 * width


def _measure(
    planes: np.ndarray, x: np.ndarray, y: np.ndarray, width: float
) -> tuple[np.ndarray, np.ndarray]:
    """Sum each star in each plane over the local background; 0 where pixels are missing."""
    flux, peak = np.zeros((2, len(planes), x.size))
    missing = ~np.isfinite(planes).all(axis=0)
    row, column = np.rint(y).astype(int), np.rint(x).astype(int)
    for index, plane in enumerate(planes):
        radius = _radius(width)
        value, _, flag = sep.sum_circle(
            np.where(missing, np.float32(0), plane),
            x,
            y,
            radius,
            mask=missing,
            bkgann=(2 * radius, 3 * radius),
        )
        flux[index] = np.where(flag == 0, value, 0.0)
        peak[index] = plane[row, column]
    return flux, peak


def _of_one_colour(ratio: np.ndarray) -> np.ndarray:
    """Say which stars are within 3 sigma of the median in every ratio; repeated until steady."""
    kept = np.ones(ratio.shape[1], dtype=bool)
    while kept.any():
        middle = np.median(ratio[:, kept], axis=1, keepdims=True)
        distance = np.abs(ratio - middle)
        sigma = _MAD_TO_SIGMA * np.median(distance[:, kept], axis=1, keepdims=True)
        fewer = kept & (distance <= _CLIP_SIGMA * sigma + 1e-6).all(axis=0)
        if fewer.sum() == kept.sum():
            break
        kept = fewer
    return kept


def _rounded(values: np.ndarray) -> tuple[float, ...]:
    """Round to six digits, below which results differ between processors."""
    return tuple(float(f"{value:.6g}") for value in values)
