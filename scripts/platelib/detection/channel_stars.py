"""Stars of an integrated channel."""

from dataclasses import dataclass

import numpy as np

from platelib.background.block_average import Blocks
from platelib.background.measure_mesh import sky_mesh
from platelib.bad_pixels.inpaint import fill_gaps
from platelib.detection.star_finder import StarSearch
from platelib.detection.star_table import STAR
from platelib.numerics.constants import MEDIAN_ERROR
from platelib.numerics.mask_bits import BAD, SATURATED
from platelib.numerics.medians import mad_sigma

_CELL_PX = 64
_BRIGHT_SIGMA = 20.0
_SHAPE_STARS = 200


@dataclass(frozen=True)
class Width:
    """The FWHM of the stars of an image.

    Attributes
    ----------
    stars : int
        Stars that tell it: the brightest 200 without a flag.
    fwhm_px, error_px : float
        Median full width at half maximum and its error; NaN without a star.
    ellipticity : float
        Median of ``1 - b/a``.
    """

    stars: int
    fwhm_px: float
    error_px: float
    ellipticity: float


def channel_stars(
    image: np.ndarray,
    cores: np.ndarray,
    light_variance: float,
    detection_sigma: float,
    aperture_fwhm: float,
    max_stars: int,
) -> np.ndarray:
    """Find the stars of an integrated channel.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, NaN where there are no data; filled in place. Cores of stars without
        data are filled from their rims, so that the star is found, and flagged.
    cores : numpy.ndarray
        ``(ny, nx)`` bool: saturated pixels, from `platelib.colour.star_cores.saturated_cores`.
    light_variance : float
        Variance of a pixel that a unit of light adds, see `variance_of_light`.
    detection_sigma, aperture_fwhm, max_stars
        See `platelib.detection.star_finder.StarSearch`.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` of dtype `platelib.detection.star_table.STAR`, brightest first.
    """
    mesh = sky_mesh(image, _CELL_PX)
    mask = ~np.isfinite(image)
    some = mask.any()
    mask = mask.view(np.uint8)
    mask *= np.uint8(BAD)
    if some:
        fill_gaps(image[None], None)
        image[~np.isfinite(image)] = np.float32(np.median(mesh.level))
    np.bitwise_or(mask, np.uint8(SATURATED), out=mask, where=cores)
    if not (mesh.noise > 0).any():
        return np.empty(0, dtype=STAR)
    half_px = None
    while True:
        search = StarSearch(
            mesh, detection_sigma, aperture_fwhm, max_stars, light_variance, half_px
        )
        search.look(image, mask)
        half_px = search.needed_half_px
        if half_px <= search.half_px:
            return search.stars()


def variance_of_light(blocks: Blocks, sky: np.ndarray, block_pixels: int) -> float:
    """Variance that a unit of light adds to a pixel, from the light and variance of blocks.

    Parameters
    ----------
    blocks : Blocks
    sky : numpy.ndarray
        ``(my, mx)``: the sky in each block.
    block_pixels : int
        Pixels of a block.

    Returns
    -------
    float
        0 where nothing is bright enough to tell.
    """
    variance = blocks.variance * block_pixels
    known = blocks.known & np.isfinite(variance)
    if not known.any():
        return 0.0
    dark = float(np.median(variance[known]))
    light = blocks.mean - sky
    bright = known & (np.where(known, light, 0.0) > _BRIGHT_SIGMA * np.sqrt(dark))
    if not bright.any():
        return 0.0
    return float(f"{max(0.0, float(np.median((variance[bright] - dark) / light[bright]))):.4g}")


def width_of(stars: np.ndarray) -> Width:
    """Return the FWHM of stars.

    Parameters
    ----------
    stars : numpy.ndarray
        Of dtype `platelib.detection.star_table.STAR`, brightest first.
    """
    good = stars[stars["flags"] == 0][:_SHAPE_STARS]
    if not len(good):
        return Width(0, float("nan"), float("nan"), float("nan"))
    fwhm = float(np.median(good["fwhm"]))
    error = MEDIAN_ERROR * mad_sigma(good["fwhm"], fwhm) / float(np.sqrt(len(good)))
    ellipticity = float(np.median(good["ellipticity"]))
    return Width(len(good), round(fwhm, 4), round(error, 4), round(ellipticity, 4))
