"""From the linear cube to the pixels of a picture.

Worked through in strips of rows, in double precision, so that memory is bounded and a picture's
16-bit values do not depend on the processor.
"""

from dataclasses import dataclass

import numpy as np

from platelib.faint_colour import smooth_faint_colour
from platelib.gaps import mend_gaps
from platelib.luminance import replace_lightness, scale_chroma
from platelib.neutral_sky import Sky, measure_sky
from platelib.stretch import AsinhCurve, fit_curve, stretch_planes

_STRIP_ROWS = 256
_FULL = 65535


@dataclass(frozen=True)
class Look:
    """How a picture is to look.

    Attributes
    ----------
    sky_level : float
        Display value of the sky, above 0 and below 1.
    black_sigma : float
        How far black lies below the sky, in standard deviations of the sky.
    white_share : float
        Share of the pixels that may become white.
    saturation : float
        Factor of the chroma; 1 leaves colours as the light gives them.
    colour_smoothing_px : float
        Radius over which the colours of faint light are averaged, in pixels.
    """

    sky_level: float
    black_sigma: float
    white_share: float
    saturation: float = 1.0
    colour_smoothing_px: float = 0.0


@dataclass(frozen=True)
class Rendering:
    """A picture and how it was drawn.

    Attributes
    ----------
    pixels : numpy.ndarray
        ``(ny, nx, 3)`` uint16 sRGB display values, rows in the order of the planes.
    curve : AsinhCurve
        Stretch of the colours.
    luminance_curve : AsinhCurve or None
        Stretch of the luminance, where there is one.
    mended_px, black_px : int
        Pixels without data that were filled, and that were left black.
    """

    pixels: np.ndarray
    curve: AsinhCurve
    luminance_curve: AsinhCurve | None
    mended_px: int
    black_px: int


def render(planes: np.ndarray, luminance: np.ndarray | None, look: Look) -> Rendering:
    """Draw a picture.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(3, ny, nx)`` float32 red, green, blue or ``(1, ny, nx)`` grey; linear, NaN for no
        data. Small gaps are filled from their rims; pixels in larger ones are black.
    luminance : numpy.ndarray or None
        ``(ny, nx)`` float32, linear; replaces the lightness of the colours.
    look : Look

    Returns
    -------
    Rendering

    Raises
    ------
    ValueError
        If there are no data or the sky is without noise.
    """
    everything = planes if luminance is None else np.concatenate([planes, luminance[None]])
    everything, mended = mend_gaps(everything)
    planes = everything[: len(planes)]
    intensity = mean_plane(planes)
    curve, sky = choose_curve(intensity, look)
    light_curve = None if luminance is None else choose_curve(everything[-1], look)[0]
    if len(planes) == 3:
        radius = look.colour_smoothing_px
        planes = smooth_faint_colour(planes, intensity, sky.level, sky.scatter, radius)
    light = None if light_curve is None else everything[-1]
    pixels, black = _draw(planes, light, curve, light_curve, look.saturation)
    return Rendering(pixels, curve, light_curve, mended, black)


def choose_curve(intensity: np.ndarray, look: Look) -> tuple[AsinhCurve, Sky]:
    """Fit the asinh curve to the sky and the brightest pixels of a picture.

    Parameters
    ----------
    intensity : numpy.ndarray
        ``(ny, nx)`` float32, the mean of the planes, or the luminance; NaN for no data.
    look : Look

    Returns
    -------
    curve : AsinhCurve
    sky : Sky
        Of the intensity.
    """
    (sky,), _ = measure_sky(intensity[None])
    values = intensity[np.isfinite(intensity)]
    place = values.size - 1 - min(values.size - 1, round(look.white_share * values.size))
    white = float(np.partition(values, place)[place])
    curve = fit_curve(
        sky.level, sky.scatter, white, sky_level=look.sky_level, black_sigma=look.black_sigma
    )
    return curve, sky


def mean_plane(planes: np.ndarray) -> np.ndarray:
    """Average the planes, ``(n, ny, nx)`` to ``(ny, nx)`` float32; NaN if one is NaN."""
    total = planes[0].astype(np.float32)
    for plane in planes[1:]:
        total += plane
    return total / np.float32(len(planes))


def _draw(
    planes: np.ndarray,
    luminance: np.ndarray | None,
    curve: AsinhCurve,
    luminance_curve: AsinhCurve | None,
    saturation: float,
) -> tuple[np.ndarray, int]:
    ny, nx = planes.shape[1:]
    picture = np.zeros((ny, nx, 3), dtype=np.uint16)
    black = 0
    for start in range(0, ny, _STRIP_ROWS):
        rows = slice(start, start + _STRIP_ROWS)
        display = stretch_planes(planes[:, rows], curve)
        if len(planes) == 3 and saturation != 1:
            display = scale_chroma(display, saturation)
        if luminance is not None and luminance_curve is not None:
            light = stretch_planes(luminance[None, rows], luminance_curve)[0]
            display = replace_lightness(display, light)
        gaps = ~np.isfinite(display).all(axis=0)
        black += int(gaps.sum())
        display[:, gaps] = 0.0
        picture[rows] = np.rint(np.moveaxis(display, 0, -1) * _FULL).astype(np.uint16)
    return picture, black
