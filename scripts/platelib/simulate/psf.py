"""Star images: a Moffat profile integrated over each pixel, at exact subpixel positions."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

_STEPS = 8
_TAPS = 4


@dataclass(frozen=True)
class StarImage:
    """Pixel-integrated image of a star of unit flux, tabulated at 1/8 pixel.

    Attributes
    ----------
    phases : ndarray, shape (8, 8, 2 * radius_px + 3, 2 * radius_px + 3), float32
        ``phases[q, p, b, a]`` is the light that falls into a pixel whose centre lies
        ``a + p / 8 - radius_px - 1`` pixels right and ``b + q / 8 - radius_px - 1`` below the star.
    radius_px : int
        Half width of the square that is drawn.
    """

    phases: npt.NDArray[np.float32]
    radius_px: int


def moffat_width(fwhm_px: float, beta: float) -> float:
    """Return the core width of a Moffat profile.

    Parameters
    ----------
    fwhm_px : float
        Full width at half maximum, pixels.
    beta : float
        Exponent of the profile, above 1.

    Returns
    -------
    float
        Width `a` in ``(1 + (r / a)**2)**-beta``, pixels.

    References
    ----------
    Moffat (1969), A&A 3, 455, equation 7.
    """
    return fwhm_px / (2.0 * float(np.sqrt(2.0 ** (1.0 / beta) - 1.0)))


def moffat_image(
    fwhm_px: float,
    beta: float,
    trail_px: tuple[float, float] = (0.0, 0.0),
    radius_px: int = 24,
) -> StarImage:
    """Tabulate the image of a star, smeared along a straight trail if one is given.

    The profile is integrated over the square pixel by Simpson's rule at 1/8 pixel. Its total
    over the infinite plane is 1, so the light beyond `radius_px` (about 1e-4) is missing.

    Parameters
    ----------
    fwhm_px : float
        Full width at half maximum of the seeing, pixels.
    beta : float
        Exponent of the Moffat profile.
    trail_px : tuple of float
        (x, y) drift during the exposure, pixels; the trail is centred on the star's place.
    radius_px : int
        Half width of the drawn square.

    Returns
    -------
    StarImage

    Raises
    ------
    ValueError
        If `fwhm_px` is not positive or `beta` is not above 1.
    """
    if fwhm_px <= 0 or beta <= 1:
        msg = f"a star image needs fwhm_px > 0 and beta > 1, not {fwhm_px} and {beta}"
        raise ValueError(msg)
    width = moffat_width(fwhm_px, beta)
    cells = 2 * radius_px + 3
    half = _STEPS // 2
    offset = (np.arange(-half, cells * _STEPS + half) / _STEPS) - (radius_px + 1)
    length = float(np.hypot(*trail_px))
    count = max(1, int(np.ceil(length * 2)))
    places = (np.arange(count) + 0.5) / count - 0.5
    profile = np.zeros((offset.size, offset.size))
    for place in places:
        dx = offset[None, :] - place * trail_px[0]
        dy = offset[:, None] - place * trail_px[1]
        profile += (1.0 + (dx * dx + dy * dy) / width**2) ** -beta
    profile *= (beta - 1.0) / (np.pi * width**2) / count
    box = np.full(_STEPS + 1, 2.0)
    box[1::2] = 4.0
    box[[0, -1]] = 1.0
    integrated = _slide(_slide(profile, box, 0), box, 1) / box.sum() ** 2
    phases = integrated.reshape(cells, _STEPS, cells, _STEPS).transpose(1, 3, 0, 2)
    return StarImage(np.ascontiguousarray(phases, dtype=np.float32), radius_px)


def add_stars(
    image: npt.NDArray[np.float32],
    x_px: npt.ArrayLike,
    y_px: npt.ArrayLike,
    flux: npt.ArrayLike,
    star: StarImage,
) -> None:
    """Add stars to an image in place.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        Changed in place, unit of `flux` per pixel.
    x_px, y_px : array_like, shape (n,)
        Places of the stars, pixels, 0-based; places off the image are cut at its edge.
    flux : array_like, shape (n,)
        Total light of each star.
    star : StarImage
        Image of a star of unit flux.
    """
    x, y, light = np.broadcast_arrays(
        np.atleast_1d(np.asarray(x_px, dtype=np.float64)),
        np.atleast_1d(np.asarray(y_px, dtype=np.float64)),
        np.atleast_1d(np.asarray(flux, dtype=np.float64)),
    )
    ny, nx = image.shape
    radius = star.radius_px
    for k in range(x.size):
        column, row = int(np.rint(x[k])), int(np.rint(y[k]))
        left, right = max(column - radius, 0), min(column + radius + 1, nx)
        bottom, top = max(row - radius, 0), min(row + radius + 1, ny)
        if left >= right or bottom >= top or light[k] == 0:
            continue
        stamp = _stamp(star, x[k] - column, y[k] - row) * np.float32(light[k])
        image[bottom:top, left:right] += stamp[
            bottom - row + radius : top - row + radius,
            left - column + radius : right - column + radius,
        ]


def kernel(star: StarImage) -> npt.NDArray[np.float32]:
    """Return the star image centred on a pixel, to blur extended light with the same seeing.

    Parameters
    ----------
    star : StarImage
        Image of a star of unit flux.

    Returns
    -------
    ndarray, shape (2 * radius_px + 1, 2 * radius_px + 1), float32
        Light per pixel; sums to the light inside the square.
    """
    return _stamp(star, 0.0, 0.0)


def _slide(
    values: npt.NDArray[np.float64], box: npt.NDArray[np.float64], axis: int
) -> npt.NDArray[np.float64]:
    """Weighted sums over a sliding box along one axis, without the incomplete ends."""
    moved = np.moveaxis(values, axis, 0)
    size = moved.shape[0] - box.size + 1
    total = sum(weight * moved[k : k + size] for k, weight in enumerate(box))
    return np.moveaxis(np.asarray(total), 0, axis)


def _stamp(star: StarImage, fraction_x: float, fraction_y: float) -> npt.NDArray[np.float32]:
    """Interpolate the table by cubic Lagrange polynomials at one subpixel place."""
    size = 2 * star.radius_px + 1
    columns, weights_x = _taps(fraction_x)
    rows, weights_y = _taps(fraction_y)
    stamp = np.zeros((size, size), dtype=np.float32)
    for row, weight_y in zip(rows, weights_y, strict=True):
        start_y, phase_y = divmod(row, _STEPS)
        for column, weight_x in zip(columns, weights_x, strict=True):
            start_x, phase_x = divmod(column, _STEPS)
            cells = star.phases[phase_y, phase_x]
            part = cells[start_y : start_y + size, start_x : start_x + size]
            stamp += np.float32(weight_y * weight_x) * part
    return stamp


def _taps(fraction: float) -> tuple[list[int], npt.NDArray[np.float64]]:
    """Table places and cubic weights for a star `fraction` of a pixel from its pixel centre."""
    position = _STEPS * (1.0 - fraction)
    first = int(np.floor(position)) - 1
    t = position - first - 1
    weights = np.array(
        [
            -t * (t - 1) * (t - 2) / 6,
            (t + 1) * (t - 1) * (t - 2) / 2,
            -(t + 1) * t * (t - 2) / 2,
            (t + 1) * t * (t - 1) / 6,
        ]
    )
    return [first + k for k in range(_TAPS)], weights
