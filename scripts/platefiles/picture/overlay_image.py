"""Another image of the same sky, given by the user: FITS with world coordinates."""

import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from astropy.io import fits

from platefiles.core.errors import UserError

if TYPE_CHECKING:
    from astropy.wcs import WCS

_MOST_PX = 500_000_000
_NUMBERS = ("CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2")


def laid_on_grid(path: str | Path, grid: "WCS", shape: tuple[int, int]) -> np.ndarray:
    """Read an image and resample it onto the grid, by bilinear interpolation.

    Parameters
    ----------
    path : path-like
        FITS; the first image with celestial coordinates is used, of a cube the first plane.
    grid : astropy.wcs.WCS
    shape : tuple of int
        ``(ny, nx)`` of the grid.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` float32; NaN outside the image.

    Raises
    ------
    UserError
        If the image cannot be read or does not overlap the field.
    """
    from reproject import reproject_interp

    image, wcs = _read(path)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        result, covered = reproject_interp((image, wcs), grid, shape_out=shape, order="bilinear")
    laid = np.where(covered > 0, result, np.nan).astype(np.float32)
    if not np.isfinite(laid).any():
        msg = f"{path}: does not show the field; give another image under sky, overlays"
        raise UserError(msg)
    return laid


def _read(path: str | Path) -> "tuple[np.ndarray, WCS]":
    from astropy.wcs import WCS

    try:
        with warnings.catch_warnings(), fits.open(path, memmap=False) as hdus:
            warnings.simplefilter("ignore")  # what surveys write is often not quite the standard
            for hdu in hdus:
                shape = getattr(hdu, "shape", ())
                if not hdu.is_image or len(shape) < 2:
                    continue
                _check(path, hdu.header, shape)
                wcs = WCS(hdu.header, hdus).celestial
                if not wcs.has_celestial:
                    continue
                data = np.asarray(hdu.data, dtype=np.float64)
                while data.ndim > 2:
                    data = data[0]
                return data, wcs
    except UserError:
        raise
    except (OSError, ValueError, TypeError, KeyError, MemoryError) as error:
        msg = f"{path}: cannot be read as FITS ({type(error).__name__}); give another image"
        raise UserError(f"{msg} under sky, overlays") from error
    msg = f"{path}: has no image with celestial world coordinates; give another one"
    raise UserError(f"{msg} under sky, overlays")


def _check(path: str | Path, header: fits.Header, shape: tuple[int, ...]) -> None:
    """Refuse images that are too large, and coordinates as strings, which would be read as 0."""
    if np.prod([float(size) for size in shape]) > _MOST_PX:
        msg = f"{path}: has more than {_MOST_PX // 1_000_000} Mpx; cut out what shows the field"
        raise UserError(msg)
    texts = [key for key in _NUMBERS if isinstance(header.get(key), str)]
    if texts:
        msg = f"{path}: {', '.join(texts)} are texts and have to be numbers; correct the header"
        raise UserError(msg)
