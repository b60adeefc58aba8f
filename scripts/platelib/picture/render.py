"""Render the linear image to the pixels of a picture.

Curve, shoulder and star cores are found for the whole picture; then strips of rows are drawn, each
by itself, in double precision. So memory is bounded, and the 16-bit values depend neither on the
processor nor on the number of threads.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from skimage.color import rgb2lab

from platelib.bad_pixels.inpaint import fill_gaps
from platelib.colour.grey_sky import Sky, levels_of_light, measure_sky
from platelib.colour.srgb import encode, light_of_levels
from platelib.colour.star_cores import Cores, colours_of_rims, cores_of
from platelib.numerics.radix_select import ranked
from platelib.picture.chroma_smoothing import smooth_faint_colour
from platelib.picture.display_pixels import Tone, highest_value, put_pixels, tone_of
from platelib.picture.postprocessing import (
    NO_FINISH,
    Finish,
    denoise_colour,
    enhance_local_contrast,
    sharpen,
)
from platelib.picture.stretch import AsinhCurve, Look, fit_curve

STRIP_ROWS = 64
_SKY_EVERY = 16


@dataclass(frozen=True)
class Rendering:
    """How a picture was drawn.

    Attributes
    ----------
    curve : AsinhCurve
        Stretch of the colours.
    luminance_curve : AsinhCurve or None
        Stretch of the luminance, where there is one.
    inpainted_px, black_px : int
        Pixels without data that were filled, and that were left black.
    sky_lab : tuple of float
        Mean light of the sky, as drawn, in CIE Lab; of every 16th row.
    shoulder : float
        Display value from which highlights were rolled off; 1 if they were cut.
    steps : tuple of str
        What else was done to it, a sentence each.
    """

    curve: AsinhCurve
    luminance_curve: AsinhCurve | None
    inpainted_px: int
    black_px: int
    sky_lab: tuple[float, float, float] = (0.0, 0.0, 0.0)
    shoulder: float = 1.0
    steps: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Picture(Rendering):
    """A picture in memory.

    Attributes
    ----------
    pixels : numpy.ndarray
        ``(ny, nx, 3)`` uint16 sRGB display values, rows in the order of the planes.
    """

    pixels: np.ndarray


class Renderer:
    """A picture ready to be drawn, strip by strip.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, linear, NaN for no data; changed in place. n is 1 for a grey
        picture, 3 for red, green and blue, 4 for these and the luminance, which replaces the
        lightness of the colours. Small gaps, and larger ones whose rim is bright, are filled;
        pixels in others are black.
    look : Look
    finish : Finish
    saturation : numpy.ndarray, optional
        ``(ny, nx)`` uint8: how near to saturation the cores of stars are, in percent, 0 elsewhere;
        see `platelib.colour.star_cores.saturation_percent`.

    Raises
    ------
    ValueError
        If there are no data or the sky is without noise.
    """

    def __init__(
        self,
        planes: np.ndarray,
        look: Look,
        finish: Finish = NO_FINISH,
        saturation: np.ndarray | None = None,
    ):
        self._look, self._finish = look, finish
        self._inpainted = fill_gaps(planes, core_levels=partial(levels_of_light, planes))
        colours, light = planes[:3], planes[3] if len(planes) > 3 else None
        self._curve, self._sky = choose_curve(mean_plane(colours), look)
        light_curve = None if light is None else choose_curve(light, look)[0]
        self._steps: list[str] = []
        self._core_colours, self._core_starts = np.empty((len(colours), 0)), np.empty(0, int)
        cores = None if saturation is None or not saturation.any() else cores_of(saturation)
        if finish.deconvolution:
            said = _sharpen(colours, light, self._sky, finish.deconvolution, cores)
            self._steps.append(said)
        # Curve and shoulder are those of the data, so that nothing changes outside of the cores.
        self._tone = _tone(colours, self._curve, look)
        self._light_tone = None
        if light is not None and light_curve is not None:
            self._light_tone = _tone(light[None], light_curve, look)
        if cores is not None and len(colours) == 3:
            skies, _ = measure_sky(colours)
            self._core_colours = colours_of_rims(colours, cores, [own.level for own in skies])
            self._core_starts = np.r_[0, np.cumsum(np.count_nonzero(cores.inside, axis=1))]
            self._steps.append(
                f"{cores.count} saturated cores in the colours of their rims, white in the middle"
            )
        self._light_curve = light_curve
        self._colours, self._light, self._cores = colours, light, cores

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        ny, nx = self._colours.shape[1:]
        return ny, nx

    @property
    def colours(self) -> int:
        """Planes without the luminance: 1 for a grey picture, else 3."""
        return len(self._colours)

    def render(self, put: Callable[[int, np.ndarray], None], threads: int = 1) -> Rendering:
        """Draw the picture and hand it over in strips.

        Parameters
        ----------
        put : callable
            Takes the first row and ``(rows, nx, 3)`` uint16 sRGB display values; called in any
            order and from any thread.
        threads : int
            Strips drawn at a time; it changes no bit.
        """
        steps, whole, black = list(self._steps), None, 0
        if self._finish.colour_denoise or self._finish.local_contrast:
            whole, black = self._finished(steps, threads)

        def drawn(rows: slice) -> tuple[int, np.ndarray]:
            pixels, gaps = self._strip(rows) if whole is None else (whole[rows], 0)
            put(rows.start, pixels)
            return gaps, self._sky_light(rows, pixels)

        found = self._each(drawn, threads)
        return Rendering(
            self._curve,
            self._light_curve,
            self._inpainted,
            black + sum(gaps for gaps, _ in found),
            _mean_lab(np.concatenate([light for _, light in found])),
            self._look.shoulder,
            tuple(steps),
        )

    def _each(self, work: Callable[[slice], Any], threads: int) -> list[Any]:
        """Work on each strip; return the results in order."""
        starts = range(0, self.shape[0], STRIP_ROWS)
        rows = (slice(start, min(start + STRIP_ROWS, self.shape[0])) for start in starts)
        with ThreadPoolExecutor(threads) as pool:
            return list(pool.map(work, rows))

    def _strip(self, rows: slice) -> tuple[np.ndarray, int]:
        """Draw rows without the steps that need the whole picture; count pixels without data."""
        look, sky = self._look, self._sky
        planes = self._colours[:, rows].copy()
        if len(planes) == 3 and look.colour_smoothing_px:
            limits, radius = (rows.start, rows.stop), look.colour_smoothing_px
            planes = smooth_faint_colour(self._colours, limits, sky.level, sky.scatter, radius)
        if self._cores is not None and self._core_colours.size:
            known = slice(self._core_starts[rows.start], self._core_starts[rows.stop])
            planes[:, self._cores.inside[rows]] = self._core_colours[:, known]
        pixels = np.empty((*planes.shape[1:], 3), dtype=np.uint16)
        black = put_pixels(
            planes,
            None if self._light is None else self._light[rows],
            None if self._cores is None else self._cores.whiteness[rows],
            self._tone,
            self._light_tone,
            look.saturation,
            look.max_chroma_gain,
            pixels,
        )
        return pixels, black

    def _finished(self, steps: list[str], threads: int) -> tuple[np.ndarray, int]:
        """Draw the whole picture, take the steps that need all of it, and say which."""
        pixels = np.empty((*self.shape, 3), dtype=np.uint16)

        def drawn(rows: slice) -> int:
            pixels[rows], gaps = self._strip(rows)
            return gaps

        black = sum(self._each(drawn, threads))
        if self._finish.colour_denoise and len(self._colours) == 3:
            pixels, said = denoise_colour(pixels, self._finish.colour_denoise)
            steps.append(said)
        if self._finish.local_contrast:
            sky, lift = self._look.sky_level, self._look.max_chroma_gain
            pixels, said = enhance_local_contrast(pixels, self._finish.local_contrast, sky, lift)
            steps.append(said)
        return pixels, black

    def _sky_light(self, rows: slice, pixels: np.ndarray) -> np.ndarray:
        """Return the linear light ``(n, 3)`` of the sky in every 16th row of a strip."""
        some = slice(rows.start, rows.stop, _SKY_EVERY)
        above = mean_plane(self._colours[:, some]) - np.float32(self._sky.level)
        is_sky = np.abs(above) <= self._sky.scatter
        return light_of_levels()[pixels[::_SKY_EVERY][is_sky]]


def render(
    planes: np.ndarray,
    luminance: np.ndarray | None,
    look: Look,
    finish: Finish = NO_FINISH,
    saturation: np.ndarray | None = None,
) -> Picture:
    """Draw a picture of arrays that stay as they are.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(3, ny, nx)`` float32 red, green, blue or ``(1, ny, nx)`` grey; see `Renderer`.
    luminance : numpy.ndarray or None
        ``(ny, nx)`` float32.
    look, finish, saturation
        See `Renderer`.
    """
    everything = planes.copy() if luminance is None else np.concatenate([planes, luminance[None]])
    renderer = Renderer(everything, look, finish, saturation)
    pixels = np.empty((*renderer.shape, 3), dtype=np.uint16)

    def put(start: int, strip: np.ndarray) -> None:
        pixels[start : start + len(strip)] = strip

    rendering = renderer.render(put)
    return Picture(**vars(rendering), pixels=pixels)


def _mean_lab(light: np.ndarray) -> tuple[float, float, float]:
    """Average linear light ``(n, 3)``, in CIE Lab."""
    if not len(light):
        return (0.0, 0.0, 0.0)
    lightness, a, b = rgb2lab(encode(light.mean(axis=0)))
    return float(lightness), float(a), float(b)


def _tone(planes: np.ndarray, curve: AsinhCurve, look: Look) -> Tone:
    """Return the tone of planes; their brightest pixel becomes white."""
    brightest = float(np.nanmax(planes))
    plain = tone_of(curve, look.shoulder, brightest)
    return tone_of(curve, look.shoulder, brightest, highest_value(planes, plain))


def _sharpen(
    planes: np.ndarray, light: np.ndarray | None, sky: Sky, strength: float, cores: Cores | None
) -> str:
    """Deconvolve the luminance, or else the mean of the planes, in place; say what was done.

    Planes are multiplied by what that changes, so that their ratios stay.
    """
    if light is not None:
        (own,), _ = measure_sky(light[None])
        light[...], said = sharpen(light, own, strength, cores)
        return said
    level = np.float32(sky.level)
    before = mean_plane(planes)
    after, said = sharpen(before, sky, strength, cores)
    before, after = before - level, after - level
    safe = before > 0
    factor = np.where(safe, after / np.where(safe, before, 1), np.float32(1)).astype(np.float32)
    planes -= level
    planes *= factor
    planes += level
    return said


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
    known = np.isfinite(intensity)
    values = intensity if known.all() else intensity[known]
    place = values.size - 1 - min(values.size - 1, round(look.white_clip_fraction * values.size))
    white = float(ranked(values, [place])[0])
    curve = fit_curve(
        sky.level, sky.scatter, white, sky_level=look.sky_level, black_sigma=look.black_sigma
    )
    return curve, sky


def mean_plane(planes: np.ndarray) -> np.ndarray:
    """Average the planes, ``(n, ny, nx)`` to ``(ny, nx)`` float32; NaN if one is NaN."""
    total = planes[0].astype(np.float32)
    for plane in planes[1:]:
        total += plane
    total /= np.float32(len(planes))
    return total
