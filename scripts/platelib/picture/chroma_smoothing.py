"""Chroma smoothing: average the colour of faint light over neighbours, against colour noise.

The eye sees fine detail in brightness, hardly in colour. Where a pixel stands little above the
noise, its difference from grey is replaced by the mean difference of the faint pixels around
it; its brightness stays as it is. Bright pixels neither change nor lend their colour.
"""

import numpy as np

from platelib.numerics.kernels import kernel, read_only

TRUSTED_SIGMA = 5.0
_TRUNCATE = 3.0
_NO_WEIGHT = np.float32(1e-12)


def reach_px(radius_px: float) -> int:
    """Return how many rows beyond a strip lend it their colours."""
    return int(_TRUNCATE * radius_px + 0.5)


def smooth_faint_colour(
    planes: np.ndarray, rows: tuple[int, int], sky: float, sigma: float, radius_px: float
) -> np.ndarray:
    """Average the colours of faint pixels in a strip of rows.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(3, ny, nx)`` float32, linear, NaN for no data.
    rows : tuple of int
        First row of the strip, and the one after the last.
    sky, sigma : float
        Level and standard deviation of the sky's intensity, the mean of the planes. A pixel
        `TRUSTED_SIGMA` above the sky keeps half of its own colour.
    radius_px : float
        Standard deviation of the Gaussian neighbourhood; 0 returns the strip as it is. At the edge
        of the picture the outermost pixels are repeated.

    Returns
    -------
    numpy.ndarray
        ``(3, rows, nx)`` float32 with the same mean of the planes in each pixel. Strips of any
        height give the same bits.
    """
    start, stop = rows
    if radius_px == 0:
        return planes[:, start:stop].copy()
    ny, nx = planes.shape[1:]
    reach = reach_px(radius_px)
    weights = np.exp(-0.5 * (np.arange(reach + 1) / radius_px) ** 2)
    weights /= weights[0] + 2 * weights[1:].sum()
    low, high = max(start - reach, 0), min(stop + reach, ny)
    lent = np.empty((3, high - low, nx), dtype=np.float32)
    line = np.empty((3, nx + 2 * reach), dtype=np.float32)
    smooth = np.empty((3, stop - start, nx), dtype=np.float32)
    limit = np.float32(TRUSTED_SIGMA * sigma)
    _lend(read_only(planes[:, low:high]), np.float32(sky), limit, lent)
    _smooth(
        read_only(planes[:, start:stop]),
        read_only(lent),
        start - low,
        read_only(weights.astype(np.float32)),
        np.float32(sky),
        limit,
        line,
        smooth,
    )
    return smooth


@kernel
def _faintness(intensity, sky, limit):
    height = max(intensity - sky, np.float32(0)) / limit
    return np.float32(1) / (np.float32(1) + height * height)


@kernel
def _intensity(planes, y, x):
    return (planes[0, y, x] + planes[1, y, x] + planes[2, y, x]) / np.float32(3)


@kernel
def _lend(planes, sky, limit, lent):
    """Work out the weights that pixels lend their colours with, and their first two colours."""
    for y in range(lent.shape[1]):
        for x in range(lent.shape[2]):
            intensity = _intensity(planes, y, x)
            faint = _faintness(intensity, sky, limit)
            weight = faint * faint
            known = np.isfinite(intensity)
            lent[0, y, x] = weight if known else np.float32(0)
            lent[1, y, x] = (planes[0, y, x] - intensity) * weight if known else np.float32(0)
            lent[2, y, x] = (planes[1, y, x] - intensity) * weight if known else np.float32(0)


@kernel
def _smooth(planes, lent, first, weights, sky, limit, line, smooth):
    """Blur what was lent, down and then across, and mix it with what pixels have."""
    reach = weights.size - 1
    nx, last = smooth.shape[2], lent.shape[1] - 1
    for y in range(smooth.shape[1]):
        for part in range(3):
            inner = line[part, reach : reach + nx]
            for x in range(nx):
                inner[x] = weights[0] * lent[part, first + y, x]
            for k in range(1, reach + 1):
                above = lent[part, max(first + y - k, 0)]
                below = lent[part, min(first + y + k, last)]
                for x in range(nx):
                    inner[x] += weights[k] * (above[x] + below[x])
            for k in range(reach):
                line[part, k] = inner[0]
                line[part, reach + nx + k] = inner[nx - 1]
        for part in range(3):
            out = smooth[part, y]
            for x in range(nx):
                out[x] = weights[0] * line[part, reach + x]
            for k in range(1, reach + 1):
                before, after = line[part, reach - k :], line[part, reach + k :]
                for x in range(nx):
                    out[x] += weights[k] * (before[x] + after[x])
        for x in range(nx):
            intensity = _intensity(planes, y, x)
            faint = _faintness(intensity, sky, limit)
            total = max(smooth[0, y, x], _NO_WEIGHT)
            red, green = planes[0, y, x] - intensity, planes[1, y, x] - intensity
            blue = planes[2, y, x] - intensity
            red_around, green_around = smooth[1, y, x] / total, smooth[2, y, x] / total
            blue_around = -(red_around + green_around)
            smooth[0, y, x] = intensity + red + faint * (red_around - red)
            smooth[1, y, x] = intensity + green + faint * (green_around - green)
            smooth[2, y, x] = intensity + blue + faint * (blue_around - blue)


def warm_up() -> None:
    """Compile the kernels of this module."""
    smooth_faint_colour(np.ones((3, 2, 2), dtype=np.float32), (0, 2), 0.0, 1.0, 0.5)
