"""A product whose images are filled band by band, in its own file: no image is held in memory."""

import io
import os
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from astropy.io import fits

from platefiles.fitsfile import CHECKSUM_COMMENT, image_hdu, primary_hdu
from platefiles.pages import Pages, pages_of
from platefiles.wholefile import put_in_place

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
        self._path.parent.mkdir(parents=True, exist_ok=True)
        self.planes: dict[str, np.ndarray] = {}
        self._pages: dict[str, list[Pages]] = {}
        handle, self._temporary = tempfile.mkstemp(
            prefix=f".{self._path.name}.", suffix=".part", dir=self._path.parent
        )
        try:
            with os.fdopen(handle, "r+b") as target:
                target.write(_header_bytes(primary_hdu(cards)))
                for name, (shape, dtype, more, unit) in images.items():
                    stand_in = np.broadcast_to(np.zeros((), dtype=dtype), shape)
                    target.write(_header_bytes(image_hdu(stand_in, name, more, unit)))
                    self.planes[name] = plane = self._reserve(target, shape, np.dtype(dtype))
                    self._pages[name] = pages_of(plane, write=True)
        except BaseException:
            self._give_up()
            raise

    def _reserve(self, target, shape: tuple[int, ...], dtype: np.dtype) -> np.memmap:
        start = target.tell()
        size = int(np.prod(shape)) * dtype.itemsize
        stop = start + -(-size // _BLOCK) * _BLOCK
        # Ask the disk for the room now: a full disk must say so here, not kill the filling.
        os.posix_fallocate(target.fileno(), start, stop - start)
        target.seek(stop)
        order = dtype.newbyteorder(">")
        return np.memmap(self._temporary, dtype=order, mode="r+", offset=start, shape=shape)

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
        self, tables: Sequence[fits.BinTableHDU], numbers: Mapping[str, int] | None = None
    ) -> None:
        """Append tables, add checksums, flush to the disk and give the file its name.

        Parameters
        ----------
        tables : sequence of astropy.io.fits.BinTableHDU
            The table extensions, in order.
        numbers : mapping of str to int, optional
            Values of cards of the primary header that were not known before: they stand there
            with any number.
        """
        for plane in self.planes.values():
            plane.flush()  # type: ignore[attr-defined]
        self.planes.clear()
        self._pages.clear()
        with open(self._temporary, "ab") as target:
            for table in tables:
                packed = io.BytesIO()
                fits.HDUList([fits.PrimaryHDU(), table]).writeto(packed)
                target.write(packed.getvalue()[_BLOCK:])
        # astropy's own update of a file would date the checksums.
        with fits.open(self._temporary, memmap=True) as hdus, open(self._temporary, "r+b") as file:
            for keyword, number in (numbers or {}).items():
                hdus[0].header[keyword] = number
            for hdu in hdus:
                hdu.add_checksum(when=CHECKSUM_COMMENT)
                file.seek(hdu.fileinfo()["hdrLoc"])
                file.write(hdu.header.tostring().encode("ascii"))
        put_in_place(self._temporary, self._path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._give_up()

    def _give_up(self) -> None:
        self.planes.clear()
        self._pages.clear()
        Path(self._temporary).unlink(missing_ok=True)


def _header_bytes(hdu) -> bytes:
    """Return the header as it stands in a file, with room for its checksums."""
    header = hdu.header.copy()
    for keyword in ("CHECKSUM", "DATASUM"):
        header[keyword] = ("0" * 16, CHECKSUM_COMMENT)
    return header.tostring().encode("ascii")
