"""Stars of a picture: detected on the sum of all planes, measured at the same positions in each.

Unlike the tables of single subs these are places on the grid, in planes whose noise is known.
"""

import numpy as np
import sep
from scipy.ndimage import shift

from platelib.numerics.half_sample_mode import half_sample_mode
from platelib.sources.sep_extraction import in_any_crowd

_DETECTION_SIGMA = 8.0
_CELL_PX = 64
_MAX_ELLIPTICITY = 0.3
_WIDTH_TOLERANCE = 0.2
_PEAK_LIMIT = 0.5
_MOST_STARS = 60
_FEWEST_STARS = 5
_STAMP_FWHM = 2.5


def find_stars(
    planes: np.ndarray, noise: tuple[float, ...]
) -> tuple[np.ndarray, np.ndarray, float]:
    """Find point sources on the sum of all planes in units of their noise.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, linear, background subtracted, NaN for no data.
    noise : tuple of float
        Standard deviation of a sky pixel in each plane.

    Returns
    -------
    x, y : numpy.ndarray
        ``(k,)`` float64 places, 0-based pixels.
    width : float
        Their typical full width at half maximum, pixels; 1 where there are none.
    """
    missing = ~np.isfinite(planes[0])
    total = np.zeros(planes.shape[1:], dtype=np.float32)
    for plane, sigma in zip(planes, noise, strict=True):
        for row, line, gaps in zip(total, plane, missing, strict=True):
            gaps |= ~np.isfinite(line)
            row += line / np.float32(sigma * np.sqrt(len(planes)))
    total[missing] = 0.0
    background = sep.Background(total, mask=missing, bw=_CELL_PX, bh=_CELL_PX)
    background.subfrom(total)
    noise_of_total = background.rms()
    np.maximum(noise_of_total, np.float32(1), out=noise_of_total)

    def search(threshold: float) -> np.ndarray:
        return sep.extract(total, threshold, err=noise_of_total, mask=missing, minarea=5)

    found, _ = in_any_crowd(search, _DETECTION_SIGMA, total.size)
    width = 2 * np.sqrt(np.log(2) * (found["a"] ** 2 + found["b"] ** 2))
    round_enough = (found["flag"] == 0) & (found["b"] >= (1 - _MAX_ELLIPTICITY) * found["a"])
    if not round_enough.any():
        return np.empty(0), np.empty(0), 1.0
    typical = half_sample_mode(width[round_enough])
    star = round_enough & (np.abs(width / typical - 1) <= _WIDTH_TOLERANCE)
    return found["x"][star], found["y"][star], typical


def radius_of(width: float) -> float:
    """Radius of the circle that stars of a width are summed in, pixels."""
    return 1.5 * width


def measure_stars(
    planes: np.ndarray, x: np.ndarray, y: np.ndarray, width: float
) -> tuple[np.ndarray, np.ndarray]:
    """Sum each star in each plane over the local background.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, linear, NaN for no data.
    x, y : numpy.ndarray
        ``(k,)`` places inside the picture, 0-based pixels.
    width : float
        Full width at half maximum, pixels.

    Returns
    -------
    flux, peak : numpy.ndarray
        ``(n, k)`` float64; flux is 0 where pixels are missing.
    """
    flux, peak = np.zeros((2, len(planes), x.size))
    missing = ~np.isfinite(planes).all(axis=0)
    row, column = np.rint(y).astype(int), np.rint(x).astype(int)
    for index, plane in enumerate(planes):
        radius = radius_of(width)
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


def point_spread(image: np.ndarray, noise: float) -> tuple[np.ndarray, float, int]:
    """Measure the image of a star: the median of bright, whole ones, each centred and of sum 1.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, linear, background subtracted, NaN for no data.
    noise : float
        Standard deviation of a sky pixel.

    Returns
    -------
    stamp : numpy.ndarray
        ``(m, m)`` float64 of sum 1, m odd, none below 0.
    width : float
        Full width at half maximum of the stars, pixels.
    stars : int
        How many were used.

    Raises
    ------
    ValueError
        If there are too few stars.
    """
    x, y, width = find_stars(image[None], (noise,))
    flux, peak = measure_stars(image[None], x, y, width)
    half = int(np.ceil(_STAMP_FWHM * width))
    ny, nx = image.shape
    margin = half + 3
    good = (flux[0] > 0) & (np.minimum(x, nx - 1 - x) > margin)
    good &= np.minimum(y, ny - 1 - y) > margin
    if good.any():
        good &= peak[0] <= _PEAK_LIMIT * peak[0][good].max()
    order = np.argsort(-flux[0][good], kind="stable")[:_MOST_STARS]
    stamps = [
        stamp
        for px, py in zip(x[good][order], y[good][order], strict=True)
        if (stamp := _stamp(image, px, py, half)) is not None
    ]
    if len(stamps) < _FEWEST_STARS:
        msg = f"only {len(stamps)} stars show their shape and {_FEWEST_STARS} are needed"
        raise ValueError(msg)
    middle = np.maximum(np.median(stamps, axis=0), 0.0)
    distance = np.hypot(*np.mgrid[-half : half + 1, -half : half + 1])
    middle[distance > half + 0.5] = 0.0
    return middle / middle.sum(), width, len(stamps)


def _stamp(image: np.ndarray, x: float, y: float, half: int) -> np.ndarray | None:
    """Cut out a star, move its centre to that of the stamp, and divide by its light."""
    column, row, reach = round(float(x)), round(float(y)), half + 2
    cut = image[row - reach : row + reach + 1, column - reach : column + reach + 1]
    if not np.isfinite(cut).all():
        return None
    moved = shift(cut.astype(np.float64), (row - y, column - x), order=3, mode="nearest")
    stamp = moved[2:-2, 2:-2] - np.median(np.r_[moved[:2].ravel(), moved[-2:].ravel()])
    total = stamp.sum()
    return stamp / total if total > 0 else None
