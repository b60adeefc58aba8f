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
    """Return the cards of a header that place another image of the same pixels on the sky.

    Parameters
    ----------
    header : astropy.io.fits.Header
        Of an image, or of the solution of its grid; one without world coordinates gives none.
    planes : bool
        The other image is a cube of planes; the third axis counts them.
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


def coarser_cards(header: Any, pitch_px: int, ring: int = 0) -> list[tuple]:
    """Return the cards that place a mesh of square cells over an image on the sky.

    Each power of the polynomials takes its power of the side of a cell along, so that the mesh is
    bent as the image is.

    Parameters
    ----------
    header : astropy.io.fits.Header
        Of the image.
    pitch_px : int
        Side of a cell, pixels; a pixel of the mesh stands for the middle of a cell.
    ring : int
        Rows and columns of the mesh before the first cell of the image.
    """
    result = []
    for keyword, value in carried_cards(header):
        power = _POLYNOMIAL.fullmatch(keyword)
        if keyword in ("CRPIX1", "CRPIX2"):
            value = (value - 0.5) / pitch_px + 0.5 + ring
        elif keyword in _LINEAR:
            value = value * pitch_px
        elif power:
            value = value * float(pitch_px) ** (int(power[1]) + int(power[2]) - 1)
        result.append((keyword, value))
    return result


def picture_wcs(header: Any) -> "WCS | None":
    """Return the WCS of an image, of its two axes on the sky; None if the header has none.

    Parameters
    ----------
    header : astropy.io.fits.Header
        Of an image of two axes, or of a cube whose third axis is the colour.
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
    """Return the WCS of a picture made smaller; its linear part alone.

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
