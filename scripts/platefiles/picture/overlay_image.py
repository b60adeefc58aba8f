"""Another image of the same sky, given by the user: FITS with world coordinates."""

import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from astropy.io import fits
from scipy.ndimage import map_coordinates

from platefiles.core.errors import UserError
from platefiles.jobs.job_log import log
from platelib.astrometry.coordinate_mesh import CoordinateMesh, fitted_mesh

if TYPE_CHECKING:
    from astropy.wcs import WCS

_MOST_PX = 500_000_000
_NUMBERS = ("CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2")
_TOLERANCE_PX = 0.02
_ROUND_TRIP_PX = 1.0
_STRIP_PX = 1 << 18


def laid_on_grid(path: str | Path, grid: "WCS", shape: tuple[int, int]) -> np.ndarray:
    """Read an image and resample it onto the grid, by bilinear interpolation.

    Positions in the image are interpolated on a mesh with an error of less than 0.02 of its pixels.

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
    with _opened(path) as (hdu, wcs):
        mesh = fitted_mesh(lambda x, y: _places(grid, wcs, x, y), shape, _TOLERANCE_PX)
        part = _Part.shown(hdu, mesh)
    laid = np.full(shape, np.nan, dtype=np.float32)
    if part is not None:
        step = max(1, _STRIP_PX // shape[1])
        for start in range(0, shape[0], step):
            stop = min(start + step, shape[0])
            part.sample(mesh.rows(start, stop), laid[start:stop])
    if not np.isfinite(laid).any():
        msg = f"{path}: does not show the field; give another image under sky, overlays"
        raise UserError(msg)
    log.info(
        "positions on a mesh of %d px, interpolated within %.2g px of the image",
        mesh.pitch_px,
        mesh.error_px,
    )
    return laid


def _places(grid: "WCS", wcs: "WCS", x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return positions in the image; NaN where the way back does not lead to the same pixel."""
    from astropy.wcs.utils import pixel_to_pixel

    with warnings.catch_warnings(), np.errstate(invalid="ignore"):
        warnings.simplefilter("ignore")
        there = pixel_to_pixel(grid, wcs, x, y)
        back = pixel_to_pixel(wcs, grid, *there)
        off = np.maximum(abs(back[0] - x), abs(back[1] - y))
        found = np.where(off <= _ROUND_TRIP_PX, there, np.nan)
    return found[0], found[1]


@dataclass(frozen=True)
class _Part:
    """The part of an image that shows the field.

    Attributes
    ----------
    pixels : numpy.ndarray
        ``(my, mx)`` float32.
    left, bottom : int
        Its first column and row in the image.
    shape : tuple of int
        ``(ny, nx)`` of the image.
    """

    pixels: np.ndarray
    left: int
    bottom: int
    shape: tuple[int, int]

    @classmethod
    def shown(cls, hdu: Any, mesh: CoordinateMesh) -> "_Part | None":
        """Read the part below the nodes of a mesh; None if that is empty."""
        ny, nx = hdu.shape[-2:]
        bounds = [(0, nx), (0, ny)]
        if not mesh.poor.any():
            finite = [axis[np.isfinite(axis)] for axis in mesh.nodes]
            if not finite[0].size:
                return None
            bounds = [
                (max(0, math.floor(axis.min()) - 1), min(size, math.ceil(axis.max()) + 2))
                for axis, size in zip(finite, (nx, ny), strict=True)
            ]
        (left, right), (bottom, top) = bounds
        if right <= left or top <= bottom:
            return None
        pixels = np.empty((top - bottom, right - left), dtype=np.float32)
        plane = (0,) * (len(hdu.shape) - 2)
        step = max(1, _STRIP_PX // nx)
        for start in range(bottom, top, step):
            stop = min(start + step, top)
            rows = hdu.section[(*plane, slice(start, stop))]
            pixels[start - bottom : stop - bottom] = rows[:, left:right]
        return cls(pixels, left, bottom, (ny, nx))

    def sample(self, places: np.ndarray, laid: np.ndarray) -> None:
        """Interpolate the image at positions.

        Parameters
        ----------
        places : numpy.ndarray
            ``(2, n, nx)`` float64, x and y in the image; NaN for nowhere. Changed.
        laid : numpy.ndarray
            ``(n, nx)`` float32. Written; NaN outside of the outer edges of the image's pixels.
        """
        outside = np.zeros(laid.shape, dtype=bool)
        with np.errstate(invalid="ignore"):
            for axis, size in zip(places, self.shape[::-1], strict=True):
                outside |= ~((axis >= -0.5) & (axis <= size - 0.5))
                np.clip(axis, 0, size - 1, out=axis)
        if outside.all():
            return
        places[:, outside] = 0
        places[0] -= self.left
        places[1] -= self.bottom
        map_coordinates(self.pixels, places[::-1], output=laid, order=1, mode="nearest")
        laid[outside] = np.nan


@contextmanager
def _opened(path: str | Path) -> "Iterator[tuple[Any, WCS]]":
    """Open the first image with celestial coordinates: its HDU, and its coordinates."""
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
                if wcs.has_celestial:
                    yield hdu, wcs
                    return
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
