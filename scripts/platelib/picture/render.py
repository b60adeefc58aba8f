"""Render the linear image to the pixels of a picture.

Worked through in strips of rows, in double precision, so that memory is bounded and a picture's
16-bit values do not depend on the processor.
"""

from dataclasses import dataclass
from functools import partial

import numpy as np
from PIL import Image
from skimage.color import rgb2lab

from platelib.bad_pixels.inpaint import inpaint_gaps
from platelib.colour.grey_sky import Sky, levels_of_light, measure_sky
from platelib.colour.luminance import MAX_LIFT, replace_lightness, scale_chroma
from platelib.colour.srgb import decode, encode
from platelib.colour.star_cores import Cores, cores_of, whitened, with_colours_of_rims
from platelib.picture.chroma_smoothing import smooth_faint_colour
from platelib.picture.postprocessing import (
    NO_FINISH,
    Finish,
    denoise_colour,
    enhance_local_contrast,
    sharpen,
)
from platelib.picture.stretch import AsinhCurve, Shoulder, brightest, fit_curve, stretch_planes

_STRIP_ROWS = 256
_FULL = 65535


@dataclass(frozen=True)
class Look:
    """Settings of a picture.

    Attributes
    ----------
    sky_level : float
        Display value of the sky, above 0 and below 1.
    black_sigma : float
        How far black lies below the sky, in standard deviations of the sky.
    white_clip_fraction : float
        Share of the pixels whose intensity lies above white on the curve.
    saturation : float
        Factor of the chroma; 1 leaves colours as the light gives them.
    colour_smoothing_px : float
        Radius over which the colours of faint light are averaged, in pixels.
    shoulder : float
        Display value from which highlights are rolled off; 1 cuts them at white.
    max_chroma_gain : float
        Where luminance brightens a pixel, its chroma grows by no more than this factor.
    """

    sky_level: float
    black_sigma: float
    white_clip_fraction: float
    saturation: float = 1.0
    colour_smoothing_px: float = 0.0
    shoulder: float = 1.0
    max_chroma_gain: float = MAX_LIFT


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
    inpainted_px, black_px : int
        Pixels without data that were filled, and that were left black.
    sky_lab : tuple of float
        Mean light of the sky, as drawn, in CIE Lab.
    shoulder : float
        Display value from which highlights were rolled off; 1 if they were cut.
    steps : tuple of str
        What else was done to it, a sentence each.
    """

    pixels: np.ndarray
    curve: AsinhCurve
    luminance_curve: AsinhCurve | None
    inpainted_px: int
    black_px: int
    sky_lab: tuple[float, float, float] = (0.0, 0.0, 0.0)
    shoulder: float = 1.0
    steps: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Toning:
    """Curve and shoulder of one picture."""

    curve: AsinhCurve
    shoulder: Shoulder

    def __call__(self, planes: np.ndarray) -> np.ndarray:
        return stretch_planes(planes, self.curve, self.shoulder)


def render(
    planes: np.ndarray,
    luminance: np.ndarray | None,
    look: Look,
    finish: Finish = NO_FINISH,
    saturation: np.ndarray | None = None,
) -> Rendering:
    """Draw a picture.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(3, ny, nx)`` float32 red, green, blue or ``(1, ny, nx)`` grey; linear, NaN for no
        data. Small gaps, and larger ones whose rim is bright, are filled; pixels in others are
        black.
    luminance : numpy.ndarray or None
        ``(ny, nx)`` float32, linear; replaces the lightness of the colours.
    look : Look
    finish : Finish
    saturation : numpy.ndarray, optional
        ``(ny, nx)`` uint8: how near to saturation the cores of stars are, in percent, 0 elsewhere;
        see `platelib.colour.star_cores.saturation_percent`.

    Returns
    -------
    Rendering

    Raises
    ------
    ValueError
        If there are no data or the sky is without noise.
    """
    everything = planes if luminance is None else np.concatenate([planes, luminance[None]])
    everything, inpainted = inpaint_gaps(
        everything, core_levels=partial(levels_of_light, everything)
    )
    planes = everything[: len(planes)]
    light = None if luminance is None else everything[-1]
    intensity = mean_plane(planes)
    curve, sky = choose_curve(intensity, look)
    steps: list[str] = []
    if len(planes) == 3:
        radius = look.colour_smoothing_px
        planes = smooth_faint_colour(planes, intensity, sky.level, sky.scatter, radius)
    cores = None if saturation is None or not saturation.any() else cores_of(saturation)
    if finish.deconvolution:
        planes, light, said = _sharpened(planes, light, sky, finish.deconvolution, cores)
        steps.append(said)
    # Curve and shoulder are those of the data, so that nothing changes outside of the cores.
    toning, light_toning = _toning(planes, curve, look), None
    if light is not None:
        light_toning = _toning(light[None], choose_curve(light, look)[0], look)
    light_curve = light_toning.curve if light_toning else None
    if cores is not None and len(planes) == 3:
        skies, _ = measure_sky(planes)
        planes = with_colours_of_rims(planes, cores, np.array([own.level for own in skies]))
        steps.append(
            f"{cores.count} saturated cores in the colours of their rims, white in the middle"
        )
    pixels, black = _draw(planes, light, toning, light_toning, look, cores)
    if finish.colour_denoise and len(planes) == 3:
        pixels, said = denoise_colour(pixels, finish.colour_denoise)
        steps.append(said)
    if finish.local_contrast:
        lift = look.max_chroma_gain
        pixels, said = enhance_local_contrast(pixels, finish.local_contrast, look.sky_level, lift)
        steps.append(said)
    drawn = _sky_lab(pixels, intensity, sky)
    return Rendering(
        pixels, curve, light_curve, inpainted, black, drawn, look.shoulder, tuple(steps)
    )


def _sky_lab(pixels: np.ndarray, intensity: np.ndarray, sky: Sky) -> tuple[float, float, float]:
    """Average the light of the pixels within a standard deviation of the sky's level."""
    display = pixels[np.abs(intensity - sky.level) <= sky.scatter]
    if not len(display):
        return (0.0, 0.0, 0.0)
    lightness, a, b = rgb2lab(encode(decode(display / _FULL).mean(axis=0)))
    return float(lightness), float(a), float(b)


def _toning(planes: np.ndarray, curve: AsinhCurve, look: Look) -> _Toning:
    tops = [
        brightest(planes[:, start : start + _STRIP_ROWS], curve)
        for start in range(0, planes.shape[1], _STRIP_ROWS)
    ]
    return _Toning(curve, Shoulder(look.shoulder, max(tops)))


def _sharpened(
    planes: np.ndarray, light: np.ndarray | None, sky: Sky, strength: float, cores: Cores | None
) -> tuple[np.ndarray, np.ndarray | None, str]:
    """Deconvolve the luminance, or else the mean of the planes.

    Planes are multiplied by what that changes, so that their ratios stay.
    """
    if light is not None:
        (own,), _ = measure_sky(light[None])
        light, said = sharpen(light, own, strength, cores)
        return planes, light, said
    before = mean_plane(planes) - np.float32(sky.level)
    after, said = sharpen(before + np.float32(sky.level), sky, strength, cores)
    after = after - np.float32(sky.level)
    safe = before > 0
    factor = np.where(safe, after / np.where(safe, before, 1), np.float32(1)).astype(np.float32)
    level = np.float32(sky.level)
    return (planes - level) * factor + level, None, said


def shrunk_to(pixels: np.ndarray, longest_px: int | None) -> np.ndarray:
    """Make a picture smaller by averaging its light over the area of each new pixel.

    Parameters
    ----------
    pixels : numpy.ndarray
        ``(ny, nx, 3)`` uint16 sRGB display values.
    longest_px : int or None
        Pixels of the longer side; pictures are never enlarged, and None leaves them as they are.

    Returns
    -------
    numpy.ndarray
        ``(my, mx, 3)`` uint16 sRGB display values.
    """
    ny, nx = pixels.shape[:2]
    if longest_px is None or longest_px >= max(ny, nx):
        return pixels
    scale = longest_px / max(ny, nx)
    size = max(1, round(nx * scale)), max(1, round(ny * scale))
    result = np.empty((size[1], size[0], 3), dtype=np.uint16)
    for index in range(3):
        light = decode(pixels[..., index] / _FULL).astype(np.float32)
        small = Image.fromarray(light).resize(size, Image.Resampling.BOX)
        display = encode(np.clip(np.asarray(small), 0, 1))
        result[..., index] = np.rint(display * _FULL).astype(np.uint16)
    return result


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
    place = values.size - 1 - min(values.size - 1, round(look.white_clip_fraction * values.size))
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
    toning: _Toning,
    luminance_toning: _Toning | None,
    look: Look,
    cores: Cores | None = None,
) -> tuple[np.ndarray, int]:
    ny, nx = planes.shape[1:]
    picture = np.zeros((ny, nx, 3), dtype=np.uint16)
    black = 0
    for start in range(0, ny, _STRIP_ROWS):
        rows = slice(start, start + _STRIP_ROWS)
        display = toning(planes[:, rows])
        if len(planes) == 3 and look.saturation != 1:
            display = scale_chroma(display, look.saturation)
        if luminance is not None and luminance_toning is not None:
            light = luminance_toning(luminance[None, rows])[0]
            display = replace_lightness(display, light, look.max_chroma_gain)
        if cores is not None and len(display) == 3:
            display = whitened(display, cores.whiteness[rows])
        gaps = ~np.isfinite(display).all(axis=0)
        black += int(gaps.sum())
        display[:, gaps] = 0.0
        picture[rows] = np.rint(np.moveaxis(display, 0, -1) * _FULL).astype(np.uint16)
    return picture, black
