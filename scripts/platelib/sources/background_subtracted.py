"""An integrated image without its background, and the mask of its empty sky."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import sep

from platelib.background.masked_mesh import masked_sky
from platelib.numerics.half_sample_mode import density_peak
from platelib.numerics.medians import mad_sigma
from platelib.sources.half_scale import SIDE, half_scale
from platelib.sources.light_mask import bright_pixels, grown, smoothed_sample
from platelib.sources.sep_extraction import SMOOTHING

CELL_PX = 64
_FAINT_SIGMA, _SMALLEST_AREA = 3.5, 4
_FIRST_SIGMA = SIDE * _FAINT_SIGMA
"""Of the first search, so that it goes as deep in surface brightness as the second one."""
_GROWTH_PX = 3
_LEAST_BLANK = 0.2
"""Share of an image that is wanted as empty sky; the rims of light count as such if need be."""
_WELL_COVERED = 0.7
_SAMPLE = 250_000
_PER_SIGMA = float(np.sqrt(float((SMOOTHING**2).sum())))
"""Noise of the smoothed image over that of the image, for independent pixels."""


@dataclass(frozen=True)
class FieldSky:
    """An image without its sky.

    Attributes
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, background subtracted, 0 where there are no data.
    noise : numpy.ndarray
        ``(ny, nx)`` float32, standard deviation of each pixel by itself; 1 where there are no data.
    missing : numpy.ndarray
        ``(ny, nx)`` bool, no data, or far fewer subs than elsewhere.
    light : numpy.ndarray
        ``(ny, nx)`` bool, pixels of stars and galaxies and about them.
    remark : str
        A sentence where the sky could not be told from light, else empty.
    """

    image: np.ndarray
    noise: np.ndarray
    missing: np.ndarray
    light: np.ndarray
    remark: str = ""

    @cached_property
    def blank(self) -> np.ndarray:
        """Pixels that show the empty sky."""
        return ~(self.missing | self.light)

    @property
    def pixel_noise(self) -> float:
        """Median noise of the pixels of empty sky, of a sample of them."""
        return float(np.median(_sample(self.noise, ~self.blank)))


def field_sky(
    image: np.ndarray,
    variance: np.ndarray,
    coverage: np.ndarray | None = None,
    cell_px: int = CELL_PX,
) -> FieldSky:
    """Subtract the sky of an image, measured cell by cell without stars and galaxies.

    Light is searched twice: at half the scale for a first sky without light, which is all that the
    second search needs, and on the image.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32, variance of each pixel by itself; NaN = no data. Both are overwritten
        and become part of the result.
    coverage : numpy.ndarray, optional
        ``(ny, nx)``, subs that made each pixel; where they are fewer than 70 % of what is usual,
        the image does not count.
    cell_px : int
        Side of the cells in which the sky is measured.

    Returns
    -------
    FieldSky

    Raises
    ------
    ValueError
        If no pixel has data.
    """
    missing = ~(np.isfinite(image) & (variance > 0) & (variance < np.inf))
    if coverage is not None and not missing.all():
        missing |= coverage < _WELL_COVERED * np.median(_sample(coverage, missing))
        del coverage
    if missing.all():
        msg = "no pixel of the image has data"
        raise ValueError(msg)
    np.copyto(image, np.float32(np.median(_sample(image, missing))), where=missing)
    np.copyto(variance, np.float32(1), where=missing)
    noise = np.sqrt(variance, out=variance)
    first = _first_sky(image, noise, missing, cell_px)
    light = grown(_bright(image, first, noise, missing), _GROWTH_PX)
    sky, remark = _sky(image, missing, light, cell_px)
    if sky is None:
        image -= np.median(_sample(image, missing))
    else:
        sky.subfrom(image)
    np.copyto(image, np.float32(0), where=missing)
    if np.mean(~(missing | light)) < _LEAST_BLANK * np.mean(~missing):
        light = _crowded_light(image, noise, missing)
    return FieldSky(image, noise, missing, light, remark)


def _crowded_light(flat: np.ndarray, noise: np.ndarray, missing: np.ndarray) -> np.ndarray:
    """Return light with as much of its rim as leaves enough empty sky, if any does."""
    bright = _bright(flat, np.zeros((1, 1), dtype=np.float32), noise, missing)
    for growth in range(_GROWTH_PX - 1, 0, -1):
        light = grown(bright, growth)
        if np.mean(~(missing | light)) >= _LEAST_BLANK * np.mean(~missing):
            return light
    return bright


def _sample(plane: np.ndarray, missing: np.ndarray) -> np.ndarray:
    """Return pixels with data: of some rows, or of all if these have none."""
    step = max(1, plane.size // _SAMPLE)
    values = plane[step // 2 :: step][~missing[step // 2 :: step]]
    return values if values.size else plane[~missing]


def _first_sky(
    image: np.ndarray, noise: np.ndarray, missing: np.ndarray, cell_px: int
) -> np.ndarray:
    """Return the sky beside light at half the scale."""
    mean, spread, gone = half_scale(image, noise, missing)
    cell = max(1, cell_px // SIDE)
    nothing = np.zeros_like(gone)
    bright = _bright(mean, _first_level(mean, gone, nothing, cell), spread, gone, _FIRST_SIGMA)
    return _first_level(mean, gone, grown(bright, -(-_GROWTH_PX // SIDE)), cell)


def _first_level(mean: np.ndarray, gone: np.ndarray, light: np.ndarray, cell_px: int) -> np.ndarray:
    sky, _ = _sky(mean, gone, light, cell_px)
    return np.full_like(mean, np.median(mean[~gone])) if sky is None else sky.back(np.float32)


def _bright(
    image: np.ndarray,
    sky: np.ndarray,
    noise: np.ndarray,
    missing: np.ndarray,
    sigma: float = _FAINT_SIGMA,
) -> np.ndarray:
    limit = sigma * _PER_SIGMA * float(likeness(image, noise, missing, sky))
    return bright_pixels(image, sky, noise, missing, limit, _SMALLEST_AREA)


def likeness(
    image: np.ndarray, noise: np.ndarray, missing: np.ndarray, sky: np.ndarray | None = None
) -> np.float32:
    """Return how much noisier the smoothed image is than independent pixels would make it.

    From the dark half of its values, in which there is nothing but noise.

    Parameters
    ----------
    image, noise : numpy.ndarray
        ``(ny, nx)`` float32.
    missing : numpy.ndarray
        ``(ny, nx)`` bool, no data.
    sky : numpy.ndarray, optional
        ``(my, mx)`` float32, which is subtracted first; each value holds for a square of pixels.
    """
    values = smoothed_sample(image, sky, noise, missing, max(1, image.size // _SAMPLE))
    if not values.size:
        return np.float32(1)
    values /= np.float32(_PER_SIGMA)
    middle = density_peak(values)
    return np.float32(max(1.0, mad_sigma(values[values <= middle], middle)))


def _sky(
    image: np.ndarray, missing: np.ndarray, light: np.ndarray, cell_px: int
) -> tuple[sep.Background | None, str]:
    """Return the smooth sky, and a remark if sources cover the whole image.

    There is no sky where a single cell has too few pixels; the median stands for it.
    """
    try:
        return masked_sky(image, missing | light, cell_px), ""
    except ValueError:
        remark = (
            "Few pixels are free of sources: the sky is the mode of each cell, and "
            "may include light of faint stars."
        )
    for side in (cell_px, max(image.shape)):
        try:
            return masked_sky(image, missing, side), remark if light.any() else ""
        except ValueError:
            continue
    return None, ""
