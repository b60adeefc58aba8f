"""Partners of a sub: subs with nearly the same FWHM, and the reach of their kernels."""

import numpy as np

from platelib.numerics.constants import FWHM_PER_SIGMA

PARTNERS = 6
"""Partners of a sub at most: a median of six tolerates two that were hit themselves."""
_LARGEST_RADIUS = 10
_FIT_PIXELS = 4000


def choose_partners(fwhm_px: np.ndarray) -> np.ndarray:
    """Choose for each sub up to six others whose stars are nearly as wide.

    Half are sharper and half softer, if available.

    Parameters
    ----------
    fwhm_px : numpy.ndarray
        ``(n,)`` float64.

    Returns
    -------
    numpy.ndarray
        ``(n, p)`` int64, nearest in width first.
    """
    n = len(fwhm_px)
    count = min(PARTNERS, n - 1)
    order = np.argsort(fwhm_px, kind="stable")
    partners = np.empty((n, max(count, 0)), dtype=np.int64)
    for rank, sub in enumerate(order.tolist()):
        first = min(max(rank - PARTNERS // 2, 0), n - 1 - count)
        near = [k for k in range(first, first + count + 1) if k != rank]
        near.sort(key=lambda k: (abs(np.log(fwhm_px[order[k]] / fwhm_px[sub])), k))
        partners[sub] = order[near]
    return partners


def missing_sigma(fwhm_px: np.ndarray, partners: np.ndarray) -> float:
    """Return the largest width by which a sub's stars exceed those of a partner, as a sigma."""
    squares = fwhm_px[:, None] ** 2 - fwhm_px[partners] ** 2
    return float(np.sqrt(max(squares.max(initial=0.0), 0.0))) / FWHM_PER_SIGMA


def kernel_radius(fwhm_px: np.ndarray) -> int:
    """Return the radius of the kernels between subs of these widths, pixels."""
    sigma = missing_sigma(fwhm_px, choose_partners(fwhm_px))
    return int(min(_LARGEST_RADIUS, max(3, np.ceil(3.5 * sigma) + 1)))


def fit_radius(fwhm_px: np.ndarray) -> int:
    """Return the radius about a star in which its pixels are fitted, pixels."""
    return int(min(14, max(4, np.ceil(2.0 * float(np.max(fwhm_px))))))


def wanted_stars(fwhm_px: np.ndarray) -> int:
    """Return the largest useful number of stars for a fit."""
    return int(min(48, max(16, _FIT_PIXELS // len(disc(fit_radius(fwhm_px))))))


def stamp_radius(fwhm_px: np.ndarray) -> int:
    """Return half the side of the stamps that kernels are fitted to, less half a pixel."""
    return kernel_radius(fwhm_px) + fit_radius(fwhm_px)


def disc(radius: int) -> np.ndarray:
    """Return the pixels within a radius of a pixel, ``(m, 2)`` int64 rows and columns."""
    step = np.arange(-radius, radius + 1)
    inside = step**2 + step[:, None] ** 2 <= radius**2
    return np.argwhere(inside) - radius
