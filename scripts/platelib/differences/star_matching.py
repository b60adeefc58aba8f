"""Star images of a sub and the kernel from its reference, from the stars that both share."""

import numpy as np

from platelib.differences.difference import BELOW_SATURATION, SubAndStack, others_of
from platelib.differences.star_image import (
    StarImage,
    fit_star_image,
    gaussian_image,
    image_radius,
)
from platelib.differences.varying_kernel import (
    VaryingKernel,
    fit_varying_kernel,
    kernel_by_widths,
    stamp_side,
)
from platelib.integration.psf_kernels import FEWEST_STARS

_MOST = 80


def match_star_images(
    both: SubAndStack, places: np.ndarray, widths: tuple[float, float]
) -> tuple[StarImage, VaryingKernel]:
    """Fit the star image of a sub and the kernel that leads to it.

    Parameters
    ----------
    both : SubAndStack
    places : numpy.ndarray
        ``(s, 2)`` float64: x and y of stars on the grid, brightest first; the first 80 inside the
        field that are not saturated in the sub are used.
    widths : tuple of float
        FWHM of the stars of the stack and of the sub, px.

    Returns
    -------
    image : StarImage
    matching : VaryingKernel
        With fewer than 4 stars, both follow from the widths.
    """
    side = stamp_side(widths, image_radius(widths[1]))
    places = _inside(places, side, both.shape)
    light, variance = star_stamps(both, places, side)
    used = np.flatnonzero(np.isfinite(light[1, :, side // 2, side // 2]))[:_MOST]
    light, variance, places = light[:, used], variance[:, used], places[used]
    if len(used) < FEWEST_STARS:
        return gaussian_image(widths[1], both.shape), kernel_by_widths(widths, both.shape)
    image = fit_star_image(widths[1], light[1], variance[1], places, both.shape)
    matching = fit_varying_kernel(widths, image.middle, light, variance, places, both.shape)
    return image, matching


def star_stamps(both: SubAndStack, places: np.ndarray, side: int) -> tuple[np.ndarray, np.ndarray]:
    """Cut stamps of stars out of the stack of the other subs and out of the sub.

    Parameters
    ----------
    both : SubAndStack
    places : numpy.ndarray
        ``(s, 2)`` float64, at least half a side from the edge.
    side : int
        Odd.

    Returns
    -------
    light, variance : numpy.ndarray
        ``(2, s, side, side)`` float32; NaN for stars that are saturated in the sub.
    """
    half = side // 2
    corners = (np.rint(places).astype(int) - half).tolist()
    planes = (both.values, both.variances, both.mean, both.mean_variance, both.share)
    cut = [
        np.concatenate([plane[y : y + side, x : x + side] for x, y in corners])
        if corners
        else np.empty((0, side), dtype=np.float32)
        for plane in planes
    ]
    mean, mean_variance = others_of(cut)
    light = np.stack([mean, cut[0]]).reshape(2, -1, side, side)
    variance = np.stack([mean_variance, cut[1]]).reshape(2, -1, side, side)
    core = light[:, :, half // 2 : side - half // 2, half // 2 : side - half // 2]
    full = (core > BELOW_SATURATION * both.saturation).any(axis=(0, 2, 3))
    light[:, full] = np.nan
    return light, variance


def _inside(places: np.ndarray, side: int, shape: tuple[int, int]) -> np.ndarray:
    places = np.asarray(places, dtype=np.float64).reshape(-1, 2)
    nearest = np.rint(places)
    most = np.array(shape[::-1]) - side // 2
    return np.asarray(places[((nearest >= side // 2) & (nearest < most)).all(axis=1)])
