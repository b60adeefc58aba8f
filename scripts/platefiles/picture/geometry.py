"""Resample planes on the grid to the rotation, scale and size of a picture.

World coordinates go along as cards, see FITS 4.0, section 8: counted from 1, row 1 at the bottom.
"""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from astropy.io import fits

from platefiles.fits.grid_place import GridPlace
from platefiles.fits.wcs_cards import picture_wcs
from platefiles.settings.picture import Framing
from platelib.picture.reproject_crop import Sampling, fitted, linear_part, sample, scaled

if TYPE_CHECKING:
    from astropy.wcs import WCS

Cards = Sequence[tuple[str, Any, str]]
_BENT_DEGREE = 5
_DIGITS = 12
_NO_PLACE = (
    "the picture is not rotated to position angle {angle:g}: the field has no astrometric solution"
)


def framed(
    planes: np.ndarray, geometry: Framing, world: Cards = ()
) -> tuple[np.ndarray, list[tuple], list[str]]:
    """Rotate and scale planes with at most one resampling; cropping happens at drawing.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, linear, NaN for no data.
    geometry : Framing
    world : sequence of tuple
        World coordinates of the grid as cards, if known.

    Returns
    -------
    planes : numpy.ndarray
        ``(n, my, mx)`` float32.
    cards : list of tuple
        Mapping of grid pixels to picture pixels (LTM and LTV), and world coordinates.
    notes : list of str
        Skipped operations.
    """
    shape, notes = planes.shape[1:], []
    wcs, angle = picture_wcs(fits.Header(list(world))), geometry.position_angle_deg
    sampling, cards = None, list(world)
    if angle is not None and wcs is not None:
        sampling, cards = _turned(wcs, shape, angle, geometry.scale)
    elif geometry.scale != 1:
        sampling = scaled(shape, geometry.scale)
        cards = _scaled_cards(wcs, sampling) if wcs is not None else []
    if angle is not None and wcs is None:
        notes.append(_NO_PLACE.format(angle=angle))
    place = GridPlace()
    if sampling is not None:
        planes = sample(planes, sampling)
        (a, b), (c, d) = linear_part(sampling)[0]
        x, y = linear_part(sampling)[1]
        place = GridPlace(((a, b), (c, d)), (x, y))
    return planes, [*place.cards, *cards], notes


def _turned(
    wcs: "WCS", shape: tuple[int, int], angle_deg: float, scale: float
) -> tuple[Sampling, list[tuple]]:
    """Return sampling and cards of a picture of the whole grid, rotated by an angle.

    The picture is a plane tangent at the centre of the grid, without distortion.
    """
    from astropy.wcs import WCS

    ny, nx = shape
    a, b, c, d = wcs.pixel_scale_matrix.ravel()
    step = math.sqrt(abs(a * d - b * c)) / scale
    turn = math.radians(angle_deg)
    sine, cosine = math.sin(turn), math.cos(turn)
    plane = WCS(naxis=2)
    plane.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    plane.wcs.crval = [round(float(v), _DIGITS) for v in _sky(wcs, (nx - 1) / 2, (ny - 1) / 2)]
    plane.wcs.crpix = [1.0, 1.0]
    plane.wcs.cd = [[-step * cosine, step * sine], [step * sine, step * cosine]]
    plane.wcs.radesys = wcs.wcs.radesys
    rim = [(x, y) for x in np.linspace(-0.5, nx - 0.5, 9) for y in np.linspace(-0.5, ny - 0.5, 9)]
    x, y = plane.all_world2pix(*_sky(wcs, *np.array(rim).T), 0)
    low, high = (np.array([f(x), f(y)]) for f in (np.min, np.max))
    size = np.maximum(np.round(high - low).astype(int), 1)
    # The reference pixel is rounded, so that the picture's own pixels do not hang on a last bit.
    middle = (low + high) / 2
    plane.wcs.crpix = [round(float(1 + (size[i] - 1) / 2 - middle[i]), 6) for i in (0, 1)]
    bent = _BENT_DEGREE if wcs.sip is not None else 3

    def places(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        found = wcs.all_world2pix(*plane.all_pix2world(x, y, 0), 0, quiet=True)
        return found[0], found[1]

    return fitted((int(size[1]), int(size[0])), scale, places, bent), _cards(plane)


def _sky(wcs: "WCS", x: Any, y: Any) -> tuple[Any, Any]:
    ra, dec = wcs.all_pix2world(x, y, 0)
    return ra, dec


def _scaled_cards(wcs: "WCS", sampling: Sampling) -> list[tuple]:
    """Return the world coordinates of a picture of another scale; their linear part alone."""
    from astropy.wcs import WCS

    matrix, shift = linear_part(sampling)
    result = WCS(naxis=2)
    result.wcs.ctype = [str(name).removesuffix("-SIP") for name in wcs.wcs.ctype]
    result.wcs.crval, result.wcs.radesys = wcs.wcs.crval, wcs.wcs.radesys
    factor = (matrix[0, 0], matrix[1, 1])
    result.wcs.crpix = [factor[i] * (wcs.wcs.crpix[i] - 1) + shift[i] + 1 for i in (0, 1)]
    result.wcs.cd = wcs.pixel_scale_matrix / factor
    return _cards(result)


def _cards(wcs: "WCS") -> list[tuple]:
    """Return a plane tangent to the sky as cards."""
    cards: list[tuple] = []
    for axis in (0, 1):
        number = axis + 1
        cards += [
            (f"CTYPE{number}", str(wcs.wcs.ctype[axis])),
            (f"CUNIT{number}", "deg"),
            (f"CRPIX{number}", float(wcs.wcs.crpix[axis])),
            (f"CRVAL{number}", float(wcs.wcs.crval[axis])),
        ]
    for i in (0, 1):
        for j in (0, 1):
            value = float(f"{wcs.wcs.cd[i][j]:.{_DIGITS}g}")
            cards.append((f"CD{i + 1}_{j + 1}", value))
    cards.append(("RADESYS", str(wcs.wcs.radesys) or "ICRS"))
    return [*cards, ("CD3_3", 1.0)]
