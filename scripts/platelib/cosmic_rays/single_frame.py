"""Cosmic rays on a single frame, by the Laplacian edge detection of van Dokkum.

A particle track is sharper than the optics can draw a star. The Laplacian of the frame, sampled
twice as finely so that it sees each edge of a pixel, in units of the noise, tells what is sharp;
the *fine structure*, a difference of two medians, tells what is a star.

The variant is that of Astro-SCRAPPY: separable medians, found pixels replaced by the mean of their
neighbours. The masks are its masks, pixel for pixel, for a hundredth of its time: the rule is
applied to boxes of the frame, see :mod:`platelib.cosmic_rays.laplacian_edges`, and after the first
round only the surroundings of what was replaced can change.

References
----------
van Dokkum (2001), *Cosmic-ray rejection by Laplacian edge detection*, PASP 113, 1420.
McCully et al. (2018), *Astro-SCRAPPY*, doi:10.5281/zenodo.1482019.
"""

from dataclasses import dataclass

import numpy as np

from platelib.cosmic_rays.boxes import boxes_of, widen_boxes
from platelib.cosmic_rays.exclusion_mask import not_judged
from platelib.cosmic_rays.laplacian_edges import EDGE, clear_boxes, search
from platelib.numerics.kernels import kernel
from platelib.numerics.pieces import pieces_of
from platelib.numerics.workspace import Room

_RESOLVED_FWHM = 2.3


@dataclass(frozen=True)
class RayRule:
    """Limits of the rule; names in brackets are those of Astro-SCRAPPY.

    Attributes
    ----------
    sigma : float
        How far the Laplacian must stand above the noise (``sigclip``).
    neighbour_share : float
        Fraction of ``sigma`` required for neighbours of detected pixels (``sigfrac``).
    contrast : float
        Least ratio of the Laplacian to the fine structure (``objlim``).
    rounds : int
        Number of rounds; each replaces the detected pixels and searches again (``niter``).
    """

    sigma: float = 4.5
    neighbour_share: float = 0.3
    contrast: float = 5.0
    rounds: int = 4


def contrast_for(fwhm_px: float) -> float:
    """Return the contrast that spares stars of some width.

    Stars that the pixels hardly resolve are nearly as sharp as tracks. The law was found on drawn
    stars: with it they keep their light from a true FWHM of 1.4 pixels on.

    Parameters
    ----------
    fwhm_px : float
        Median FWHM as :mod:`platelib.detection.star_finder` measures it, some 0.4 px above the true
        one here; NaN if unknown.

    Returns
    -------
    float
        5 from 2.3 px on, more below.
    """
    if not fwhm_px > 0:
        return 5.0
    ratio = max(1.0, _RESOLVED_FWHM / fwhm_px)
    return 5.0 * ratio * ratio * ratio * ratio


def cosmic_ray_mask(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    saturation: float = np.inf,
    rule: RayRule = RayRule(),  # noqa: B008 - frozen
    room: Room | None = None,
) -> np.ndarray:
    """Find the pixels that particles hit.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, finite, with its sky or without. What is found is replaced in place.
    variance : numpy.ndarray
        ``(ny, nx)`` float32, finite, in the square of its unit; replaced like the image. Its median
        round a pixel counts, so that the light of a particle does not excuse itself.
    mask : numpy.ndarray
        ``(ny, nx)`` uint8: 1 bad, 2 saturated. Bad pixels and their neighbours are not judged, nor
        are the cores of saturated stars; saturated pixels without a star around are.
    saturation : float
        Value of a saturated pixel.
    rule : RayRule
        Limits.
    room : Room, optional
        Memory of the result, which is valid until it is used again.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool.

    Raises
    ------
    ValueError
        If the shapes or types do not fit.
    """
    if not image.shape == variance.shape == mask.shape:
        msg = f"image is {image.shape}, its variance {variance.shape}, its mask {mask.shape}"
        raise ValueError(msg)
    if not image.dtype == variance.dtype == np.float32:
        msg = f"image and variance must be float32, not {image.dtype} and {variance.dtype}"
        raise ValueError(msg)
    room = room or Room()
    silent = not_judged(image, mask, saturation, room)
    rays = room.plane("rays", image.shape, np.uint8)
    rays[:] = 0
    boxes = boxes_of(image.shape, EDGE)
    low = np.float32(rule.sigma) * np.float32(rule.neighbour_share)
    limits = np.array([rule.sigma, low, rule.contrast], dtype=np.float32)
    levels = np.full(2, np.nan, dtype=np.float32)
    clear_boxes(image, variance, boxes, limits[0])
    history: list[tuple[np.ndarray, ...]] = []
    for _ in range(rule.rounds):
        if not search(image, variance, silent, boxes, limits, rays):
            break
        y, x = pieces_of(rays).pixels()
        places = y.astype(np.int64) * image.shape[1] + x
        history.append((places, image.flat[places], variance.flat[places]))
        if np.isnan(levels[0]) and _any_lonely(rays, silent, places):
            levels[:] = _lower_medians(image, variance, silent, history)
        boxes[:] = 0
        _replace(image, variance, silent, rays, places, levels, boxes)
    return rays.view(bool)


def _lower_medians(image, variance, silent, history) -> list[np.float32]:
    """Medians of image and variance before the first round; of two middle values the lower."""
    known = silent.ravel() == 0
    levels = []
    for k, plane in enumerate((image, variance), start=1):
        values = plane.flatten()
        for before in reversed(history):
            values[before[0]] = before[k]
        values = values[known]
        middle = (values.size - 1) // 2
        levels.append(np.partition(values, middle)[middle])
    return levels


@kernel
def _any_lonely(rays, silent, places):
    """Return whether any position has no good pixel in the surrounding 5 x 5."""
    nx = rays.shape[1]
    for place in places:
        y, x = place // nx, place % nx
        if not _good_around(rays, silent, y, x):
            return True
    return False


@kernel
def _good_around(rays, silent, y, x):
    count = 0
    for v in range(y - 2, y + 3):
        for u in range(x - 2, x + 3):
            count += rays[v, u] == 0 and silent[v, u] == 0
    return count


@kernel
def _replace(image, variance, silent, rays, places, levels, boxes):
    """Replace flagged pixels by the mean of the good ones in the surrounding 5 x 5.

    Where there is none, ``levels`` of image and variance are taken. The empty ``boxes`` are widened
    to all that this may change.
    """
    nx = image.shape[1]
    for place in places:
        y, x = place // nx, place % nx
        total, spread = levels[0], levels[1]
        count = _good_around(rays, silent, y, x)
        if count:
            total, spread = np.float32(0.0), np.float32(0.0)
            for v in range(y - 2, y + 3):
                for u in range(x - 2, x + 3):
                    if rays[v, u] == 0 and silent[v, u] == 0:
                        total += image[v, u]
                        spread += variance[v, u]
            total /= np.float32(count)
            spread /= np.float32(count)
        if total != image[y, x] or spread != variance[y, x]:
            image[y, x], variance[y, x] = total, spread
            widen_boxes(boxes, EDGE, y, x, image.shape)


def warm_up() -> None:
    """Compile the kernels of this module."""
    image = np.full((20, 24), 100.0, dtype=np.float32)
    image[8, 9] = 5000.0
    cosmic_ray_mask(image, image.copy(), np.zeros(image.shape, dtype=np.uint8))
