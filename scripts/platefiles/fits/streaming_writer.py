"""Write the images of a product band by band, without an image in memory."""

import io
import math
import os
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

import numpy as np
from astropy.io import fits

from platefiles.core.atomic_write import allocate, naming, put_in_place, unfinished
from platefiles.fits.checksums import add_sums, reserve
from platefiles.fits.header_reader import BLOCK
from platefiles.fits.products_io import image_hdu, primary_hdu

WORDS_ZERO = np.uint16(0x8000)
"""What unsigned 16-bit values are stored less of: FITS 4.0, section 5.2.5, BZERO."""


class StreamedProduct:
    """A product in the making, under a temporary name until it is finished.

    Parameters
    ----------
    path : path-like
        Path of the product; its folder is made if needed.
    cards : sequence of tuple
        Cards of the primary header.
    images : mapping of str to (shape, dtype, cards, unit)
        The image extensions, in order.
    """

    def __init__(
        self,
        path: str | Path,
        cards: Sequence[tuple],
        images: Mapping[str, tuple[tuple[int, ...], str, Sequence[tuple], str | None]],
    ):
        self._path = Path(path)
        self._places: dict[str, _Place] = {}
        with naming(path), ExitStack() as stack:
            self._target = stack.enter_context(unfinished(self._path))
            self._target.write(_header_bytes(primary_hdu(cards)))
            for name, (shape, dtype, more, unit) in images.items():
                stand_in = np.broadcast_to(np.zeros((), dtype=dtype), shape)
                self._target.write(_header_bytes(image_hdu(stand_in, name, more, unit)))
                self._places[name] = self._reserve(shape, np.dtype(dtype).newbyteorder(">"))
            self._end = stack.pop_all()

    def _reserve(self, shape: tuple[int, ...], dtype: np.dtype) -> "_Place":
        """Reserve disk space for an image, so that a full disk is reported before the work."""
        target = self._target
        target.flush()
        place = _Place(target.tell(), shape, dtype)
        stop = place.start + -(-math.prod(shape) * dtype.itemsize // BLOCK) * BLOCK
        allocate(target, place.start, stop - place.start)
        target.seek(stop)
        return place

    def fill(
        self,
        parts: Mapping[str, np.ndarray],
        rows: tuple[int, int],
        columns: tuple[int, int] | None = None,
    ) -> None:
        """Write a tile, or whole rows, of the images; any thread may.

        Data are written through the page cache. Pages of a writable map would count as memory of
        this process until they are on the disk.

        Parameters
        ----------
        parts : mapping of str to numpy.ndarray
            By name of the image, ``(..., rows, columns)``.
        rows, columns : tuple of int
            First row and the one after the last; likewise columns, all by default.
        """
        handle = self._target.fileno()
        with naming(self._path):
            for name, part in parts.items():
                place = self._places[name]
                ny, nx = place.shape[-2:]
                left, right = columns or (0, nx)
                item, height = place.dtype.itemsize, rows[1] - rows[0]
                # As they lie in the file: whole rows one after the other, parts of them apart.
                size = height * nx * item if right - left == nx else (right - left) * item
                if place.dtype.kind == "u" and place.dtype.itemsize == 2:
                    part = part ^ WORDS_ZERO  # astropy has set BZERO
                packed: Any = np.ascontiguousarray(part, place.dtype).view(np.uint8)
                content = memoryview(packed).cast("B")
                for number, begin in enumerate(range(0, len(content), size)):
                    plane, y = divmod(number * size // ((right - left) * item), height)
                    start = place.start + ((plane * ny + rows[0] + y) * nx + left) * item
                    _write(handle, content[begin : begin + size], start)

    @property
    def images(self) -> list[str]:
        """Names of the images, in order."""
        return list(self._places)

    def image(self, name: str) -> np.ndarray:
        """Return an image, memory-mapped and read-only; unfilled parts are zero."""
        with naming(self._path):
            # Pages that are not on the disk yet would count as memory of this process.
            os.fsync(self._target.fileno())
            place = self._places[name]
            return np.memmap(
                self._target.name, place.dtype, mode="r", offset=place.start, shape=place.shape
            )

    def finish(
        self,
        tables: Sequence[fits.BinTableHDU | fits.ImageHDU],
        numbers: Mapping[str, int] | None = None,
        threads: int = 1,
    ) -> None:
        """Append tables and record, add sums and digests, flush to the disk and rename the file.

        Parameters
        ----------
        tables : sequence of astropy.io.fits.BinTableHDU or ImageHDU
            The extensions that follow the images, in order.
        numbers : mapping of str to int, optional
            Values of cards of the primary header that were unknown before and have placeholder
            numbers.
        threads : int
            Number of images read at a time for their digests; it changes no bit.
        """
        with naming(self._path):
            for table in tables:
                reserve(table.header)
                packed = io.BytesIO()
                fits.HDUList([fits.PrimaryHDU(), table]).writeto(packed)
                self._target.write(packed.getvalue()[BLOCK:])
            add_sums(self._target, numbers, threads)
            put_in_place(self._target, self._path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with naming(self._path):  # a full disk is reported again when the file is closed
            self._end.__exit__(kind, error, trace)


class _Place(NamedTuple):
    """The position and the type of an image in the file."""

    start: int
    shape: tuple[int, ...]
    dtype: np.dtype


def _write(handle: int, content: memoryview, start: int) -> None:
    while content:
        written = os.pwrite(handle, content, start)
        content, start = content[written:], start + written


def _header_bytes(hdu) -> bytes:
    """Return the bytes of a header, with room for its sums."""
    header = hdu.header.copy()
    reserve(header)
    return header.tostring().encode("ascii")
