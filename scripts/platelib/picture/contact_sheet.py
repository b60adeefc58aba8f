"""Panels of a contact sheet: reduced channels, sky models and pictures."""

from collections.abc import Mapping
from functools import partial

import numpy as np

from platelib.bad_pixels.inpaint import inpaint_gaps
from platelib.colour.grey_sky import levels_of_light, measure_sky
from platelib.colour.srgb import decode, encode
from platelib.picture.render import Look
from platelib.picture.side_by_side import reduction, shrunk
from platelib.picture.stretch import AsinhCurve, Shoulder, brightest, fit_curve, stretch_planes

_RANGE = (0.5, 99.5)


def channel_panels(
    channels: Mapping[str, np.ndarray], look: Look, widest_px: int
) -> tuple[dict[str, np.ndarray], AsinhCurve]:
    """Return one panel per channel, all with one stretch, in units of each channel's sky noise.

    Parameters
    ----------
    channels : mapping of str to numpy.ndarray
        ``(ny, nx)`` float32, linear, NaN for no data.
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
    for name, image in channels.items():
        whole, _ = inpaint_gaps(image[None], core_levels=partial(levels_of_light, image[None]))
        small = shrunk(whole, reduction(image.shape, widest_px))
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


def model_panel(model: np.ndarray, widest_px: int) -> tuple[np.ndarray, float, float]:
    """Show a smooth model of the sky from its darkest to its brightest part.

    Parameters
    ----------
    model : numpy.ndarray
        ``(ny, nx)`` float32, NaN for no data.
    widest_px : int
        Pixels of the longer side.

    Returns
    -------
    panel : numpy.ndarray
        ``(my, mx)`` float64 display values from 0 to 1.
    low, high : float
        Values that are shown black and white, in the unit of the model.
    """
    (small,) = shrunk(model[None], reduction(model.shape, widest_px))
    known = small[np.isfinite(small)]
    if not known.size:
        return np.zeros(small.shape), 0.0, 0.0
    low, high = (float(value) for value in np.percentile(known, _RANGE))
    span = high - low
    shown = np.clip((small - low) / span, 0, 1) if span > 0 else np.full(small.shape, 0.5)
    return np.nan_to_num(shown), low, high


def picture_panel(display: np.ndarray, widest_px: int) -> np.ndarray:
    """Make a finished picture smaller by averaging its light.

    Parameters
    ----------
    display : numpy.ndarray
        ``(3, ny, nx)`` sRGB display values from 0 to 1.
    widest_px : int
        Pixels of the longer side.

    Returns
    -------
    numpy.ndarray
        ``(3, my, mx)`` float64 display values.
    """
    return encode(shrunk(decode(display), reduction(display.shape[1:], widest_px)))
