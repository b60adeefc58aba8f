"""A product whose images are filled band by band, in its own file: no image is held in memory."""

import io
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

import numpy as np
from astropy.io import fits

from platefiles.fitsfile import CHECKSUM_COMMENT, image_hdu, primary_hdu
from platefiles.pages import Pages, pages_of
from platefiles.wholefile import allocate, naming, put_in_place, unfinished

_BLOCK = 2880


class StreamedProduct:
    """A product in the making, under a temporary name until it is finished.

    Parameters
    ----------
    path : path-like
        Where it goes; its folder is made if it is not there.
    cards : sequence of tuple
        Cards of the primary header.
    images : mapping of str to (shape, dtype, cards, unit)
        The image extensions, in order.

    Attributes
    ----------
    planes : dict of str to numpy.ndarray
        The images by name, zero at first, mapped from the file: to be filled.
    """

    def __init__(
        self,
        path: str | Path,
        cards: Sequence[tuple],
        images: Mapping[str, tuple[tuple[int, ...], str, Sequence[tuple], str | None]],
    ):
        self._path = Path(path)
        self.planes: dict[str, np.ndarray] = {}
        self._pages: dict[str, list[Pages]] = {}
        with naming(path), ExitStack() as stack:
            self._target = stack.enter_context(unfinished(self._path))
            self._target.write(_header_bytes(primary_hdu(cards)))
            for name, (shape, dtype, more, unit) in images.items():
                stand_in = np.broadcast_to(np.zeros((), dtype=dtype), shape)
                self._target.write(_header_bytes(image_hdu(stand_in, name, more, unit)))
                self.planes[name] = plane = self._reserve(self._target, shape, np.dtype(dtype))
                self._pages[name] = pages_of(plane, write=True)
            self._end = stack.pop_all()

    def _reserve(self, target: BinaryIO, shape: tuple[int, ...], dtype: np.dtype) -> np.memmap:
        target.flush()
        start = target.tell()
        size = int(np.prod(shape)) * dtype.itemsize
        stop = start + -(-size // _BLOCK) * _BLOCK
        # Ask the disk for the room now: a full disk must say so here, not kill the filling.
        allocate(target, start, stop - start)
        target.seek(stop)
        order = dtype.newbyteorder(">")
        return np.memmap(target.name, dtype=order, mode="r+", offset=start, shape=shape)

    def fill(
        self, parts: Mapping[str, np.ndarray], rows: tuple[int, int], columns: tuple[int, int]
    ) -> None:
        """Put a tile into the images.

        Parameters
        ----------
        parts : mapping of str to numpy.ndarray
            By name of the image, ``(..., rows, columns)``.
        rows, columns : tuple of int
            First row and the one after the last; the same for columns.
        """
        for name, part in parts.items():
            for pages in self._pages[name]:
                pages.fetch(*rows)
            self.planes[name][..., slice(*rows), slice(*columns)] = part

    def finish(
        self,
        tables: Sequence[fits.BinTableHDU | fits.ImageHDU],
        numbers: Mapping[str, int] | None = None,
    ) -> None:
        """Append tables and record, add checksums, flush to the disk, give the file its name.

        Parameters
        ----------
        tables : sequence of astropy.io.fits.BinTableHDU or ImageHDU
            The extensions that follow the images, in order.
        numbers : mapping of str to int, optional
            Values of cards of the primary header that were not known before: they stand there
            with any number.
        """
        with naming(self._path):
            for plane in self.planes.values():
                plane.flush()  # type: ignore[attr-defined]
            self.planes.clear()
            self._pages.clear()
            self._append(tables)
            self._add_checksums(numbers or {})
            put_in_place(self._target, self._path)

    def _append(self, tables: Sequence[fits.BinTableHDU | fits.ImageHDU]) -> None:
        for table in tables:
            packed = io.BytesIO()
            fits.HDUList([fits.PrimaryHDU(), table]).writeto(packed)
            self._target.write(packed.getvalue()[_BLOCK:])
        self._target.flush()

    def _add_checksums(self, numbers: Mapping[str, int]) -> None:
        # astropy's own update of a file would date them.
        with fits.open(self._target.name, memmap=True) as hdus:
            for keyword, number in numbers.items():
                hdus[0].header[keyword] = number
            for hdu in hdus:
                hdu.add_checksum(when=CHECKSUM_COMMENT)
                self._target.seek(hdu.fileinfo()["hdrLoc"])
                self._target.write(hdu.header.tostring().encode("ascii"))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.planes.clear()
        self._pages.clear()
        with naming(self._path):  # a full disk is told once more when the file is closed
            self._end.__exit__(kind, error, trace)


def _header_bytes(hdu) -> bytes:
    """Return the header as it stands in a file, with room for its checksums."""
    header = hdu.header.copy()
    for keyword in ("CHECKSUM", "DATASUM"):
        header[keyword] = ("0" * 16, CHECKSUM_COMMENT)
    return header.tostring().encode("ascii")
