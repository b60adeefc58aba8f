"""Images of products, read by rows: what is held is a strip, not the image."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.fits.checked_read import check_product
from platefiles.fits.hdu_layout import read_blocks
from platefiles.fits.header_reader import card_value
from platefiles.fits.products_io import DTYPES

_WORDS_ZERO = 32768


@dataclass(frozen=True)
class ImageRows:
    """An image of a product whose rows are read as they are needed.

    Attributes
    ----------
    path : Path
    shape : tuple of int
        ``(n, ny, nx)``; n is 1 for an image of two axes.
    start : int
        Byte in the file at which the data begin.
    dtype : numpy.dtype
        As in the file.
    zero : int
        Stored values are lower by it (BZERO).
    """

    path: Path
    shape: tuple[int, int, int]
    start: int
    dtype: np.dtype
    zero: int

    @classmethod
    def of(cls, path: str | Path, extname: str = "SCI") -> "ImageRows":
        """Open an image that is unchanged since it was written.

        Raises
        ------
        DamagedProduct
            If it was changed.
        KeyError
            If the product has no such image.
        """
        check_product(path, extname)
        block = next((one for one in read_blocks(path) if one.name == extname), None)
        if block is None:
            msg = f"{path}: has no image {extname}"
            raise KeyError(msg)

        def number(keyword: str, missing: int = 1) -> int:
            value = card_value(block.header, keyword)
            return int(missing if value is None else value)

        nx, ny, n = (number(f"NAXIS{axis}") for axis in (1, 2, 3))
        dtype = np.dtype(DTYPES[number("BITPIX")])
        return cls(Path(path), (n, ny, nx), block.data_start, dtype, number("BZERO", 0))

    def __call__(self, start: int, stop: int) -> np.ndarray:
        """Return rows of all planes.

        Returns
        -------
        numpy.ndarray
            ``(n, stop - start, nx)`` in native byte order: float32, or uint16 where stored values
            are lower by 32768.
        """
        count, ny, nx = self.shape
        lines = stop - start
        stored = np.empty((count, lines, nx), dtype=self.dtype)
        with open(self.path, "rb") as file:
            for number, plane in enumerate(stored):
                file.seek(self.start + (number * ny + start) * nx * self.dtype.itemsize)
                if file.readinto(plane.reshape(-1).view(np.uint8)) != plane.nbytes:
                    msg = f"{self.path}: became shorter while it was read"
                    raise EOFError(msg)
        native = self.dtype.newbyteorder("=")
        values = stored if self.dtype == native else stored.byteswap(inplace=True).view(native)
        if self.zero != _WORDS_ZERO:
            return values
        words = values.view(np.uint16)
        words ^= np.uint16(_WORDS_ZERO)
        return words


def mapped_images(path: str | Path, names: Sequence[str]) -> dict[str, np.ndarray]:
    """Map images of a product that is unchanged since it was written, by one open file.

    Parameters
    ----------
    path : path-like
    names : sequence of str
        Of the images, whose values are not shifted (BZERO).

    Returns
    -------
    dict of str to numpy.ndarray
        ``(n, ny, nx)``, read-only, in the byte order of the file; n is 1 for an image of two axes.
    """
    whole = np.memmap(path, np.uint8, mode="r")
    found = {}
    for name in names:
        rows = ImageRows.of(path, name)
        size = math.prod(rows.shape) * rows.dtype.itemsize
        part = np.asarray(whole[rows.start : rows.start + size])
        found[name] = part.view(rows.dtype).reshape(rows.shape)
    return found


@dataclass(frozen=True)
class Plane:
    """A plane of an image in any FITS file, read by rows as it is sliced.

    Attributes
    ----------
    hdu : astropy.io.fits.ImageHDU
        Of an open file.
    number : int or None
        Of the plane in a cube; None for an image of two axes.
    """

    hdu: Any
    number: int | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """Number of rows and columns."""
        ny, nx = self.hdu.shape[-2:]
        return ny, nx

    def __getitem__(self, rows: slice) -> np.ndarray:
        """Return rows in native byte order, scaled as the header says."""
        first = () if self.number is None else (self.number,)
        start, stop, _ = rows.indices(self.shape[0])
        found = np.asarray(self.hdu.section[(*first, slice(start, stop))])
        return found.astype(found.dtype.newbyteorder("="), copy=False)


@dataclass(frozen=True)
class PlaneRows:
    """All planes of an image in any FITS file, read by rows."""

    planes: Sequence[Plane]

    @classmethod
    def of(cls, hdu: Any) -> "PlaneRows":
        """Return the planes of an open image of two or three axes."""
        numbers = range(hdu.shape[0]) if len(hdu.shape) == 3 else (None,)
        return cls([Plane(hdu, number) for number in numbers])

    @property
    def shape(self) -> tuple[int, int, int]:
        """Number of planes, rows and columns."""
        return len(self.planes), *self.planes[0].shape

    def __call__(self, start: int, stop: int) -> np.ndarray:
        """Return rows of all planes, ``(n, stop - start, nx)``."""
        return np.stack([plane[start:stop] for plane in self.planes])
