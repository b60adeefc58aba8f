"""The header of a raw frame's image, and whether the file is long enough for it.

Scanning and reading both ask here first: what a header makes believe is refused before memory is
asked for or anything is decompressed.
"""

import gzip
import zlib
from dataclasses import dataclass
from typing import IO, Any, BinaryIO

from platefiles.fits.header_cards import MOST_SQUEEZED, Cards, cards_in, data_bytes, image_shape
from platefiles.fits.header_reader import CutShort, Hasher, HeaderError, read_header_bytes

DAMAGED = "is cut short or damaged: it cannot be decompressed"
_SLACK_BYTES = 100_000


@dataclass(frozen=True)
class RawHeader:
    """The header of a raw frame and the position of its pixels."""

    cards: Cards
    """Cards of the image, with those of the primary header below them."""
    width_px: int
    height_px: int
    end_bytes: int
    """Bytes of the file, unpacked, up to the end of the image's data, without padding."""
    is_gzip: bool
    """The whole file is packed, whatever its name says."""

    @property
    def is_compressed(self) -> bool:
        """Whether the image is compressed tile by tile."""
        return self.cards.get("ZIMAGE") is True

    @property
    def row_bytes(self) -> int:
        """Bytes per row of an uncompressed image."""
        return self.width_px * abs(int(self.cards["BITPIX"])) // 8


def read_raw_header(file: BinaryIO, size_bytes: int, hasher: Hasher | None = None) -> RawHeader:
    """Read the header of the first image in HDU 0 or 1.

    Parameters
    ----------
    file : binary file
        At its start; the final position is undefined.
    size_bytes : int
        Size of the file.
    hasher : Hasher, optional
        Updated with the bytes of the headers.

    Raises
    ------
    HeaderError
        With the reason why the file is not a frame.
    """
    is_gzip = file.read(2) == b"\x1f\x8b"
    file.seek(0)
    stream: Any = gzip.GzipFile(fileobj=file) if is_gzip else file
    most_bytes = MOST_SQUEEZED * size_bytes + _SLACK_BYTES if is_gzip else size_bytes
    try:
        return _image_header(stream, hasher or _Unheard(), most_bytes, is_gzip)
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise CutShort(DAMAGED) from error


class _Unheard:
    def update(self, data: bytes, /) -> None:
        pass


def _image_header(stream: IO[bytes], hasher: Hasher, most_bytes: int, is_gzip: bool) -> RawHeader:
    primary = cards_in(read_header_bytes(stream, hasher))
    length = data_bytes(primary)
    if length:
        end = stream.tell() + length
        _check_size(most_bytes, end, is_gzip)
        return RawHeader(primary, *image_shape(primary), end, is_gzip)
    if not is_gzip and most_bytes <= stream.tell():
        image_shape(primary)  # which says what the only header of the file lacks
    try:
        extension = cards_in(read_header_bytes(stream, hasher))
    except HeaderError as error:
        msg = f"holds no image, and its first extension {error}"
        raise HeaderError(msg) from error
    kind = str(extension.get("XTENSION", "")).strip()
    if kind != "IMAGE" and not (kind == "BINTABLE" and extension.get("ZIMAGE") is True):
        msg = "holds no image in its first two parts"
        raise HeaderError(msg)
    shape = image_shape(extension)
    end = stream.tell() + data_bytes(extension)
    _check_size(most_bytes, end, is_gzip)
    return RawHeader({**primary, **extension}, *shape, end, is_gzip)


def _check_size(most_bytes: int, needed: int, is_gzip: bool) -> None:
    if needed <= most_bytes:
        return
    if is_gzip:
        msg = f"announces {needed} bytes, more than can be packed in it"
        raise HeaderError(msg)
    msg = f"is cut short: {most_bytes} bytes of {needed}"
    raise CutShort(msg)
