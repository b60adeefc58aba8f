"""World coordinates of images on the grid and of pictures: FITS 4.0, section 8.

Positions are 0-based in the code, with row 0 at the bottom; FITS counts from 1.
"""

import re
import warnings
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from astropy.wcs import WCS

_LINEAR = ("CD1_1", "CD1_2", "CD2_1", "CD2_2")
_WORLD = (
    "WCSAXES", "CTYPE1", "CTYPE2", "CUNIT1", "CUNIT2", "CRPIX1", "CRPIX2", "CRVAL1", "CRVAL2",
    *_LINEAR, "RADESYS", "A_ORDER", "B_ORDER", "AP_ORDER", "BP_ORDER",
)  # fmt: skip
_POLYNOMIAL = re.compile(r"(?:A|B|AP|BP)_(\d)_(\d)")


def carried_cards(header: Any, planes: bool = False) -> list[tuple]:
    """Return the world coordinates of a header for another image on the same pixels, as cards.

    Parameters
    ----------
    header : astropy.io.fits.Header
        Header of an image, or of the solution of its grid; without world coordinates, no cards.
    planes : bool
        Whether the other image is a cube; its third axis is the number of the plane.
    """
    found = [
        (card.keyword, card.value)
        for card in header.cards
        if card.keyword in _WORLD or _POLYNOMIAL.fullmatch(card.keyword)
    ]
    if found and planes:
        # Without WCSAXES there are as many axes as the image has, and CD3_3 would be 0.
        found = [card for card in found if card[0] != "WCSAXES"]
        found.append(("CD3_3", 1.0))
    return found


def coarser_cards(header: Any, pitch_px: int, ring: int = 0, planes: bool = False) -> list[tuple]:
    """Return the world coordinates of a mesh of square cells over an image, as cards.

    Each polynomial coefficient is scaled by its power of the cell size, so that mesh and image have
    the same distortion.

    Parameters
    ----------
    header : astropy.io.fits.Header
        Of the image.
    pitch_px : int
        Side of a cell, pixels; a pixel of the mesh is the centre of a cell.
    ring : int
        Rows and columns of the mesh before the first cell of the image.
    planes : bool
        Whether the mesh is a cube; its third axis is the number of the plane.
    """
    result = []
    for keyword, value in carried_cards(header, planes):
        power = _POLYNOMIAL.fullmatch(keyword)
        if keyword in ("CRPIX1", "CRPIX2"):
            value = (value - 0.5) / pitch_px + 0.5 + ring
        elif keyword in _LINEAR:
            value = value * pitch_px
        elif power:
            value = value * float(pitch_px) ** (int(power[1]) + int(power[2]) - 1)
        result.append((keyword, value))
    return result


def cropped_cards(header: Any, first_row: int, first_column: int) -> list[tuple]:
    """Return the world coordinates of a part of an image or of a cube, for a cube, as cards.

    Parameters
    ----------
    header : astropy.io.fits.Header
    first_row, first_column : int
        Of the part, from 0.
    """
    less = {"CRPIX1": first_column, "CRPIX2": first_row}
    return [
        (key, value - less.get(key, 0)) if key in less else (key, value)
        for key, value in carried_cards(header, planes=True)
    ]


def picture_wcs(header: Any) -> "WCS | None":
    """Return the celestial WCS of an image; None if the header has none.

    Parameters
    ----------
    header : astropy.io.fits.Header
        Header of an image of two axes, or of a cube whose third axis is the colour.
    """
    if "CTYPE1" not in header or "CRVAL1" not in header:
        return None
    from astropy.wcs import WCS, FITSFixedWarning  # slow to import

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FITSFixedWarning)
        result = WCS(header, naxis=2)
    # Of a cube astropy keeps all three sizes, and then cuts rows as if they were planes.
    result.pixel_shape = (header["NAXIS1"], header["NAXIS2"]) if "NAXIS2" in header else None
    return result


def scaled_wcs(wcs: "WCS", shape: tuple[int, int], smaller: tuple[int, int]) -> "WCS":
    """Return the linear part of the WCS of a reduced picture.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
    shape, smaller : tuple of int
        ``(ny, nx)`` before and after.
    """
    if shape == smaller:
        return wcs
    from astropy.wcs import WCS

    result = WCS(naxis=2)
    factors = [before / after for before, after in zip(shape[::-1], smaller[::-1], strict=True)]
    result.wcs.ctype = [str(name).removesuffix("-SIP") for name in wcs.wcs.ctype]
    result.wcs.crval = wcs.wcs.crval
    result.wcs.radesys = wcs.wcs.radesys
    result.wcs.crpix = [(p - 0.5) / f + 0.5 for p, f in zip(wcs.wcs.crpix, factors, strict=True)]
    result.wcs.cd = wcs.pixel_scale_matrix * factors
    return result
