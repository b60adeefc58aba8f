"""Panels of a contact sheet: reduced channels, sky models and pictures."""

from collections.abc import Mapping

import numpy as np

from platelib.background.surface import SkySurface
from platelib.colour.grey_sky import measure_sky
from platelib.colour.srgb import encode
from platelib.picture.pixels import Pixels
from platelib.picture.reduced import (
    Rows,
    reduced_light,
    reduced_without_gaps,
    reduction,
)
from platelib.picture.stretch import (
    AsinhCurve,
    Look,
    Shoulder,
    brightest,
    fit_curve,
    stretch_planes,
)

_RANGE = (0.5, 99.5)
_EVEN = 1e-9
"""Range of an even model over its level, which rounding leaves."""


def channel_panels(
    channels: Mapping[str, Rows], look: Look, widest_px: int
) -> tuple[dict[str, np.ndarray], AsinhCurve]:
    """Return one panel per channel, all with one stretch, in units of each channel's sky noise.

    Parameters
    ----------
    channels : mapping of str to Rows
        One plane each, float32, linear, NaN for no data.
    look : Look
        Level of the sky, black and white.
    widest_px : int
        Pixels of the longer side of a panel.

    Returns
    -------
    panels : dict of str to numpy.ndarray
        ``(my, mx)`` float64 display values from 0 to 1. Equal grey is equal signal over noise.
    curve : AsinhCurve
        For light over the noise of the sky; white is that of the channel that reaches furthest.

    Raises
    ------
    ValueError
        If a channel has no data, or a sky without noise.
    """
    heights = {}
    for name, rows in channels.items():
        small = reduced_without_gaps(rows, reduction(rows.shape[1:], widest_px))
        (sky,), _ = measure_sky(small.astype(np.float32))
        if not sky.scatter > 0:
            msg = f"the sky of {name} has no noise to measure"
            raise ValueError(msg)
        heights[name] = (small - sky.level) / sky.scatter
    whites = [_white(height, look.white_clip_fraction) for height in heights.values()]
    curve = fit_curve(0.0, 1.0, max(whites), sky_level=look.sky_level, black_sigma=look.black_sigma)
    top = max(brightest(height, curve) for height in heights.values())
    shoulder = Shoulder(look.shoulder, top)
    shown = {
        name: np.nan_to_num(stretch_planes(height, curve, shoulder)[0])
        for name, height in heights.items()
    }
    return shown, curve


def _white(height: np.ndarray, share: float) -> float:
    values = height[np.isfinite(height)]
    place = values.size - 1 - min(values.size - 1, round(share * values.size))
    return float(np.partition(values, place)[place])


def model_panel(model: SkySurface, widest_px: int) -> tuple[np.ndarray, float, float]:
    """Show a smooth model of the sky from its darkest to its brightest part.

    Parameters
    ----------
    model : SkySurface
        Shown at the middle of each square of pixels, since it is smooth.
    widest_px : int
        Pixels of the longer side.

    Returns
    -------
    panel : numpy.ndarray
        ``(my, mx)`` float64 display values from 0 to 1.
    low, high : float
        Values that are shown black and white, in the unit of the model.
    """
    step = reduction(model.lattice.shape, widest_px)
    y, x = (np.arange(step // 2, size, step) for size in model.lattice.shape)
    small = model.grid(y, x)
    known = small[np.isfinite(small)]
    if not known.size:
        return np.zeros(small.shape), 0.0, 0.0
    low, high = (float(value) for value in np.percentile(known, _RANGE))
    span = high - low
    is_even = span <= _EVEN * max(abs(low), abs(high))
    shown = np.full(small.shape, 0.5) if is_even else np.clip((small - low) / span, 0, 1)
    return np.nan_to_num(shown), low, high


def picture_panel(display: Pixels, widest_px: int) -> np.ndarray:
    """Make a finished picture smaller by averaging its light.

    Parameters
    ----------
    display : Pixels
    widest_px : int
        Pixels of the longer side.

    Returns
    -------
    numpy.ndarray
        ``(3, my, mx)`` float64 display values from 0 to 1.
    """
    return encode(reduced_light(display, reduction(display.shape, widest_px)))
