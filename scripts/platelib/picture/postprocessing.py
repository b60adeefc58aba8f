"""Cosmetic steps, which are off by default.

Each says in a sentence what it did, and that sentence goes into the picture. The algorithms are
scikit-image's; what is here decides where they may act.

References
----------
Richardson (1972), JOSA 62, 55; Lucy (1974), AJ 79, 745: deconvolution.
Chambolle (2004), J. Math. Imaging and Vision 20, 89: total variation, which keeps edges.
Zuiderveld (1994), Graphics Gems IV, 474: contrast-limited adaptive histograms.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from platelib.colour.grey_sky import Sky
from platelib.colour.luminance import fit_gamut, replace_lightness
from platelib.colour.picture_stars import point_spread
from platelib.colour.srgb import decode, encode, to_oklab
from platelib.colour.star_cores import Cores, apart_from
from platelib.numerics.constants import MAD_TO_SIGMA

SHARPENED_FROM_SIGMA, SHARPENED_WHOLLY_SIGMA = 10.0, 30.0
_DECONVOLUTION_ROUNDS = 20
_DENOISE_ROUNDS = 60
_CORE_REACH_FWHM = 2.0
_CLIP_LIMIT = 0.008
_FULL = 65535
_STRIP_ROWS = 256


@dataclass(frozen=True)
class Finish:
    """Which steps are taken.

    Attributes
    ----------
    deconvolution : float
        Share, from 0 (none) to 1, of the deconvolved brightness.
    colour_denoise : float
        Strength, from 0 (none) to 1, of noise reduction in the colours.
    local_contrast : float
        Share, from 0 (none) to 1, of locally equalised lightness.
    """

    deconvolution: float = 0.0
    colour_denoise: float = 0.0
    local_contrast: float = 0.0


NO_FINISH = Finish()


def sharpen(
    image: np.ndarray, sky: Sky, strength: float, cores: Cores | None = None
) -> tuple[np.ndarray, str]:
    """Deconvolve the seeing partially where the signal is far above the noise.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32 brightness, linear, NaN for no data.
    sky : Sky
        Of that image.
    strength : float
        Share of the deconvolved image, above 0, up to 1.
    cores : Cores, optional
        Saturated cores of stars, which are left as they are: the flat top of a star is not the
        blurred image of anything, and what is made of it has rings.

    Returns
    -------
    sharpened : numpy.ndarray
        ``(ny, nx)`` float32. Pixels below `SHARPENED_FROM_SIGMA` are untouched, those above
        `SHARPENED_WHOLLY_SIGMA` get all of the strength.
    sentence : str
        Description of the operation, or the reason for skipping it.
    """
    from skimage.restoration import richardson_lucy  # slow to import

    above = np.nan_to_num(image - np.float32(sky.level))
    try:
        stamp, width, stars = point_spread(image - np.float32(sky.level), sky.noise)
    except ValueError as error:
        return image, f"no deconvolution: {error}"
    height = gaussian_filter(above, 1.0) / np.float32(sky.scatter)
    reach = SHARPENED_WHOLLY_SIGMA - SHARPENED_FROM_SIGMA
    ramp = np.clip((height - np.float32(SHARPENED_FROM_SIGMA)) / np.float32(reach), 0, 1)
    share = np.float32(strength) * ramp * ramp * (3 - 2 * ramp)
    if cores is not None:
        share *= apart_from(cores, _CORE_REACH_FWHM * width)
    floor = np.float32(3 * sky.scatter)
    light = np.maximum(above + floor, np.float32(1e-3) * floor).astype(np.float64)
    # It starts from a flat picture: fewer rounds would blur.
    found = richardson_lucy(light, stamp, num_iter=_DECONVOLUTION_ROUNDS, clip=False)
    sharp = found.astype(np.float32) - floor
    sentence = (
        f"{_DECONVOLUTION_ROUNDS} rounds of Richardson-Lucy deconvolution of what stands "
        f"{SHARPENED_FROM_SIGMA:g} sigma above the sky, with the median of {stars} stars (FWHM "
        f"{width:.2f} px), share {strength:g}"
    )
    return (image + share * (sharp - above)).astype(np.float32), sentence


def denoise_colour(pixels: np.ndarray, strength: float) -> tuple[np.ndarray, str]:
    """Smooth colour noise between edges; lightness is unchanged.

    Parameters
    ----------
    pixels : numpy.ndarray
        ``(ny, nx, 3)`` uint16 sRGB display values.
    strength : float
        Above 0, up to 1: the weight of smoothness over the noise that neighbours show.

    Returns
    -------
    pixels : numpy.ndarray
        ``(ny, nx, 3)`` uint16.
    sentence : str
        What was done.
    """
    from skimage.restoration import denoise_tv_chambolle

    lab = _lab(pixels)
    step = np.abs(np.diff(lab[1:], axis=2))
    sigma = MAD_TO_SIGMA / np.sqrt(2) * float(np.median(step))
    weight = float(f"{strength * sigma:.4g}")
    if weight == 0:
        return pixels, "no smoothing of colours: they have no noise"
    # A fixed number of rounds: a test for convergence would depend on the order of a sum.
    lab[1:] = denoise_tv_chambolle(
        lab[1:], weight=weight, eps=0.0, max_num_iter=_DENOISE_ROUNDS, channel_axis=0
    )
    sentence = (
        f"total-variation smoothing of the Oklab colours a and b, weight {weight:g}, "
        f"strength {strength:g}"
    )
    return _pixels(lab), sentence


def enhance_local_contrast(
    pixels: np.ndarray, strength: float, sky_level: float, max_lift: float
) -> tuple[np.ndarray, str]:
    """Spread lightness where it varies little around, but not in the sky; hue stays.

    Parameters
    ----------
    pixels : numpy.ndarray
        ``(ny, nx, 3)`` uint16 sRGB display values.
    strength : float
        Above 0, up to 1.
    sky_level : float
        Display value of the sky. Up to there nothing changes; from twice that on all of the
        strength is applied.
    max_lift : float
        As for `platelib.colour.luminance.replace_lightness`.

    Returns
    -------
    pixels : numpy.ndarray
        ``(ny, nx, 3)`` uint16.
    sentence : str
        What was done.
    """
    from skimage.exposure import equalize_adapthist

    lightness = _lab(pixels)[0].astype(np.float64)
    spread = equalize_adapthist(np.clip(lightness, 0, 1), clip_limit=_CLIP_LIMIT)
    dark, clear = np.cbrt(decode(np.array([sky_level, min(2 * sky_level, 1.0)])))
    smooth = gaussian_filter(lightness, 2.0)
    ramp = np.clip((smooth - dark) / (clear - dark), 0, 1)
    changed = lightness + strength * ramp * ramp * (3 - 2 * ramp) * (spread - lightness)
    result = np.empty_like(pixels)
    for start in range(0, len(pixels), _STRIP_ROWS):
        rows = slice(start, start + _STRIP_ROWS)
        display = np.moveaxis(pixels[rows] / _FULL, -1, 0)
        grey = encode(np.clip(changed[rows], 0, 1) ** 3)
        result[rows] = _levels(replace_lightness(display, grey, max_lift))
    sentence = (
        f"contrast-limited adaptive histograms of the lightness above the sky, share {strength:g}"
    )
    return result, sentence


def _lab(pixels: np.ndarray) -> np.ndarray:
    """``(3, ny, nx)`` float32 Oklab, worked out in strips."""
    lab = np.empty((3, *pixels.shape[:2]), dtype=np.float32)
    for start in range(0, len(pixels), _STRIP_ROWS):
        rows = slice(start, start + _STRIP_ROWS)
        lab[:, rows] = to_oklab(decode(np.moveaxis(pixels[rows] / _FULL, -1, 0)))
    return lab


def _pixels(lab: np.ndarray) -> np.ndarray:
    result = np.empty((*lab.shape[1:], 3), dtype=np.uint16)
    for start in range(0, len(result), _STRIP_ROWS):
        rows = slice(start, start + _STRIP_ROWS)
        result[rows] = _levels(encode(fit_gamut(lab[:, rows].astype(np.float64))))
    return result


def _levels(display: np.ndarray) -> np.ndarray:
    return np.rint(np.moveaxis(display, 0, -1) * _FULL).astype(np.uint16)
