"""Open files of raw frames: check headers against the file, unpack files, find the image."""

import errno
import gzip
import os
import tempfile
import zlib
from pathlib import Path
from typing import Any, BinaryIO

from astropy.io import fits

from platefiles.core.atomic_write import naming
from platefiles.core.frame_errors import FrameError
from platefiles.fits.header_cards import image_shape
from platefiles.fits.header_reader import BLOCK, HeaderError
from platefiles.raw_frames.gzip_tiles import GzipTiles
from platefiles.raw_frames.raw_header import DAMAGED, RawHeader, read_raw_header

_MOST_BEHIND = 100_000_000
_CHUNK = 1 << 20


def checked_file(path: str | Path, most_rows: int | None) -> tuple[RawHeader, BinaryIO | None]:
    """Read the header of a frame; decompress a compressed file, up to the size in its header.

    Sizes in the header are checked against the file's size before use.

    Parameters
    ----------
    path : path-like
    most_rows : int or None
        Number of rows to read, from the first; None for all.

    Returns
    -------
    header : RawHeader
    scratch : file or None
        The decompressed file; None if the file as a whole is not compressed.

    Raises
    ------
    FrameError
        If the header is damaged or describes more data than the file contains.
    """
    with open(path, "rb") as file:
        try:
            header = read_raw_header(file, os.fstat(file.fileno()).st_size)
        except HeaderError as error:
            raise FrameError(str(error)) from error
        if not header.is_gzip:
            return header, None
        if most_rows is None or header.is_compressed:
            return header, _gunzip(file, header.end_bytes)
        less_rows = max(0, header.height_px - most_rows)
        end_bytes = header.end_bytes - less_rows * header.row_bytes
        return header, _gunzip(file, end_bytes, to_the_end=False)


def _gunzip(file: BinaryIO, end_bytes: int, to_the_end: bool = True) -> BinaryIO:
    """Decompress a frame into an unnamed scratch file that can be mapped.

    Data after the image are read for the checksum at the end of the stream and discarded, unless
    only some rows are requested.
    """
    with naming(tempfile.gettempdir()), tempfile.TemporaryFile() as scratch:
        file.seek(0)
        left = -(-end_bytes // BLOCK) * BLOCK
        try:
            with gzip.GzipFile(fileobj=file) as packed:
                last = -_MOST_BEHIND if to_the_end else 0
                while left > last and (chunk := packed.read(_CHUNK)):
                    scratch.write(chunk[: max(0, left)])
                    left -= len(chunk)
        except (OSError, EOFError, zlib.error) as error:
            if is_of_system(error):
                raise
            raise FrameError(DAMAGED) from error
        if left <= -_MOST_BEHIND:
            msg = "unpacks to far more than its header announces"
            raise FrameError(msg)
        scratch.flush()
        return os.fdopen(os.dup(scratch.fileno()), "rb")


def gzip_tiles_of(source: Any) -> GzipTiles:
    """Check a compressed image's header as read by astropy; return its gzip-compressed tiles."""
    again = source if isinstance(source, str) else os.fdopen(os.dup(source.fileno()), "rb")
    with fits.open(again, memmap=True, disable_image_compression=True) as hdus:
        table = hdus[1]
        image_shape({key: value for key, value in table.header.items() if key})
        return GzipTiles(table, source)


def check_agreement(shape: tuple[int, int], header: RawHeader) -> None:
    """Raise a FrameError unless astropy's ``(ny, nx)`` equals the shape read here."""
    if shape != (header.height_px, header.width_px):
        msg = "has a header that contradicts itself"
        raise FrameError(msg)


def image_hdu_of(hdus: fits.HDUList):
    """Return the first HDU with a two-dimensional image; raise a FrameError if there is none."""
    for hdu in hdus:
        axes = hdu.header.get("NAXIS", 0) if hdu.is_image else 0
        if axes >= 2 and min(hdu.shape) > 0 and set(hdu.shape[:-2]) <= {1}:
            return hdu
    msg = "holds no two-dimensional image"
    raise FrameError(msg)


def is_of_system(error: BaseException) -> bool:
    """Return whether an error comes from the disk or the machine, not from a file's content."""
    if not isinstance(error, Exception) or isinstance(error, MemoryError):
        return True
    # A place in the file that no file can have is the header's fault.
    return getattr(error, "errno", None) not in (None, errno.EINVAL, errno.EOVERFLOW)
