"""Display values of frames: one background and one curve for all of them.

The background is that of the mean of all frames, so that subtracting it shifts all of them alike
and leaves what changes. The noise is that of differences between successive frames, in which stars
and nebulae cancel.
"""

from collections.abc import Sequence

import numpy as np
from scipy.ndimage import binary_opening

from platelib.numerics.constants import MAD_TO_SIGMA
from platelib.picture.stretch import AsinhCurve, fit_curve

SKY_LEVEL = 0.2
"""Display value of the sky."""

BLACK_SIGMA = 3.0
"""How far black lies below the sky, in noise of a frame: noise is seen, and a source of 5 sigma
stands out of it (chosen by eye)."""

_WHITE_SHARE = 1e-3
_WHITE_SIGMA = (25.0, 60.0)
_CELLS = 8
_LARGE_GAP_PX = 4
_LEAST_CELL_PX = 24
_CLIP_SIGMA, _CLIP_ROUNDS = 2.5, 8


def common_background(mean: np.ndarray, cells: int = _CELLS) -> np.ndarray:
    """Return the smooth background of frames.

    Parameters
    ----------
    mean : numpy.ndarray
        ``(ny, nx)``: the mean of all frames, NaN where none has data.
    cells : int
        Cells along the longer side. Their medians, without what lies 2.5 sigma above, are
        interpolated linearly.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` float64.
    """
    ny, nx = mean.shape
    side = max(_LEAST_CELL_PX, -(-max(ny, nx) // cells))
    my, mx = (max(1, round(size / side)) for size in (ny, nx))
    down, across = (np.arange(n + 1) * size // n for n, size in ((my, ny), (mx, nx)))
    known = mean[np.isfinite(mean)]
    level = float(np.median(known)) if known.size else 0.0
    mesh = np.full((my, mx), level)
    for j in range(my):
        for i in range(mx):
            cell = mean[down[j] : down[j + 1], across[i] : across[i + 1]]
            values = cell[np.isfinite(cell)]
            if 2 * values.size > cell.size:
                mesh[j, i] = _clipped_median(values)
    (y, fy), (x, fx) = _between(ny, my), _between(nx, mx)
    low = mesh[y][:, x] * (1 - fx) + mesh[y][:, np.minimum(x + 1, mx - 1)] * fx
    y_next = np.minimum(y + 1, my - 1)
    high = mesh[y_next][:, x] * (1 - fx) + mesh[y_next][:, np.minimum(x + 1, mx - 1)] * fx
    return low * (1 - fy[:, None]) + high * fy[:, None]


def mean_of(frames: Sequence[np.ndarray]) -> np.ndarray:
    """Return the mean of frames, ``(ny, nx)`` float64, NaN where none has data."""
    total, count = np.zeros((2, *frames[0].shape))
    for frame in frames:
        known = np.isfinite(frame)
        np.add(total, frame, out=total, where=known)
        count += known
    return np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 0)


def _clipped_median(values: np.ndarray) -> float:
    """Return the median of what does not lie far above it."""
    for _ in range(_CLIP_ROUNDS):
        middle = np.median(values)
        kept = values[values <= middle + _CLIP_SIGMA * _sigma(values)]
        if kept.size == values.size:
            break
        values = kept
    return float(np.median(values))


def without_small_gaps(frame: np.ndarray, mean: np.ndarray) -> np.ndarray:
    """Fill gaps narrower than 4 px, such as bad pixels and columns, from the mean of all frames.

    They would flicker, since each frame has them elsewhere on the sky.

    Parameters
    ----------
    frame : numpy.ndarray
        ``(ny, nx)`` float32, NaN where there are no data.
    mean : numpy.ndarray
        ``(ny, nx)``.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` float32. Wide gaps, as beyond the edge of a sub, stay.
    """
    missing = ~np.isfinite(frame)
    if not missing.any():
        return frame
    reach = _LARGE_GAP_PX
    wide = np.pad(missing, reach, constant_values=True)
    wide = binary_opening(wide, np.ones((reach, reach), dtype=bool))[reach:-reach, reach:-reach]
    return np.where(missing & ~wide, mean, frame).astype(np.float32)


def _between(size: int, cells: int) -> tuple[np.ndarray, np.ndarray]:
    """Return for each pixel the cell before it, and how far it is on the way to the next."""
    place = (np.arange(size) + 0.5) * cells / size - 0.5
    first = np.clip(np.floor(place), 0, max(0, cells - 2)).astype(np.int64)
    return first, place - first


def frame_noise(frames: Sequence[np.ndarray]) -> float:
    """Return the standard deviation of a pixel of a frame.

    It is the median over successive pairs of frames of the median absolute deviation of their
    difference, as a standard deviation of one of the two. Of a single frame it is that of its
    pixels, with its light.

    Raises
    ------
    ValueError
        If there is no noise, or no pixel with data in two successive frames.
    """
    pairs = list(zip(frames[:-1], frames[1:], strict=True))
    spreads = [_sigma(after.astype(np.float64) - before) / np.sqrt(2) for before, after in pairs]
    if not pairs:
        spreads = [_sigma(frames[0].astype(np.float64))]
    known = [spread for spread in spreads if np.isfinite(spread)]
    noise = float(np.median(known)) if known else 0.0
    if not noise > 0:
        msg = "the frames have no noise to measure: they are empty there"
        raise ValueError(msg)
    return noise


def _sigma(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    if not known.size:
        return float("nan")
    return float(MAD_TO_SIGMA * np.median(np.abs(known - np.median(known))))


def display_curve(frames: Sequence[np.ndarray], background: np.ndarray | float) -> AsinhCurve:
    """Return the curve that shows frames less their background.

    The median of all frames becomes ``SKY_LEVEL``; white lies above all but a thousandth of the
    pixels of the frame in the middle, from 25 to 60 sigma above the sky: bright stars are burnt so
    that what is faint shows.

    Raises
    ------
    ValueError
        As `frame_noise`.
    """
    noise = frame_noise(frames)
    middle = frames[len(frames) // 2] - background
    values = np.sort(middle[np.isfinite(middle)])
    if not values.size:
        msg = "the frame in the middle has no data there"
        raise ValueError(msg)
    sky = float(np.median(values))
    white = float(values[values.size - 1 - round(_WHITE_SHARE * (values.size - 1))])
    least, most = (sky + sigma * noise for sigma in _WHITE_SIGMA)
    white = min(max(white, least), most)
    return fit_curve(sky, noise, white, sky_level=SKY_LEVEL, black_sigma=BLACK_SIGMA)


def display_values(
    frame: np.ndarray, background: np.ndarray | float, curve: AsinhCurve
) -> np.ndarray:
    """Return display values of a frame, uint8; 0 where there are no data."""
    light = np.nan_to_num(frame - background - curve.minimum, nan=0.0)
    return np.rint(255 * np.minimum(curve(light), 1.0)).astype(np.uint8)
