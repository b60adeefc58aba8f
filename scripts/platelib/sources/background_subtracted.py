"""An integrated image without its background, and the mask of its empty sky."""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_dilation, convolve

from platelib.background.masked_mesh import masked_sky
from platelib.numerics.half_sample_mode import half_sample_mode
from platelib.numerics.medians import mad_sigma
from platelib.sources.sep_extraction import SMOOTHING, extracted

CELL_PX = 64
_FAINT_SIGMA, _SMALLEST_AREA = 3.5, 4
_GROWTH_PX = 3
_LIGHT_ROUNDS = 2
_LEAST_BLANK = 0.2
"""Share of an image that is wanted as empty sky; the rims of light count as such if need be."""
_WELL_COVERED = 0.7
_SAMPLE = 500_000


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

    @property
    def blank(self) -> np.ndarray:
        """Pixels that show the empty sky."""
        return ~(self.missing | self.light)


def field_sky(
    image: np.ndarray,
    variance: np.ndarray,
    coverage: np.ndarray | None = None,
    cell_px: int = CELL_PX,
) -> FieldSky:
    """Subtract the sky of an image, measured cell by cell without stars and galaxies.

    Parameters
    ----------
    image, variance : numpy.ndarray
        ``(ny, nx)`` float32, variance of each pixel by itself; NaN = no data.
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
    missing = ~(np.isfinite(image) & np.isfinite(variance) & (variance > 0))
    if coverage is not None and not missing.all():
        missing |= coverage < _WELL_COVERED * np.median(coverage[~missing])
    if missing.all():
        msg = "no pixel of the image has data"
        raise ValueError(msg)
    noise = np.where(missing, np.float32(1), np.sqrt(variance)).astype(np.float32)
    filled = np.where(missing, np.float32(np.median(image[~missing])), image).astype(np.float32)
    light = np.zeros_like(missing)
    for _ in range(_LIGHT_ROUNDS):
        flat = filled - _sky(filled, missing, light, cell_px)[0]
        light = _light(flat, noise, missing)
    sky, remark = _sky(filled, missing, light, cell_px)
    flat = (filled - sky).astype(np.float32)
    flat[missing] = 0
    growth = _GROWTH_PX
    while growth > 0 and np.mean(~(missing | light)) < _LEAST_BLANK * np.mean(~missing):
        growth -= 1
        light = _light(flat, noise, missing, growth)
    return FieldSky(flat, noise, missing, light, remark)


def likeness(flat: np.ndarray, noise: np.ndarray, missing: np.ndarray) -> np.float32:
    """Return how much noisier the smoothed image is than independent pixels would make it.

    From the dark half of its values, in which there is nothing but noise.
    """
    ratio = np.where(missing, np.float32(0), flat / noise)
    smooth = convolve(ratio, SMOOTHING) / np.float32(np.sqrt(float((SMOOTHING**2).sum())))
    values = smooth[~missing][:: max(1, smooth.size // _SAMPLE)]
    middle = half_sample_mode(values)
    return np.float32(max(1.0, mad_sigma(values[values <= middle], middle)))


def _sky(
    image: np.ndarray, missing: np.ndarray, light: np.ndarray, cell_px: int
) -> tuple[np.ndarray, str]:
    """Return the smooth sky, and a remark if sources cover the whole image."""
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
    return np.full_like(image, np.median(image[~missing])), ""


def _light(
    flat: np.ndarray, noise: np.ndarray, missing: np.ndarray, growth_px: int = _GROWTH_PX
) -> np.ndarray:
    # Which of blended sources a pixel belongs to does not matter here.
    segments = extracted(
        flat,
        noise * likeness(flat, noise, missing),
        missing,
        _FAINT_SIGMA,
        _SMALLEST_AREA,
        deblend_nthresh=1,
    ).segments
    disc = np.hypot(*np.mgrid[-growth_px : growth_px + 1, -growth_px : growth_px + 1])
    return binary_dilation(segments > 0, disc <= growth_px + 0.5)
