"""Byte ranges of the HDUs of a FITS file, from its headers alone.

FITS 4.0 (Pence et al. 2010, A&A 524, A42, and the standard of 2018), sections 3 and 4.
"""

import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from platefiles.fits.header_cards import cards_in, data_bytes
from platefiles.fits.header_reader import BLOCK, HeaderError, card_value, read_header_bytes

FILE_SIZE = "FILESIZE"
"""Keyword of the length of a product in its primary header."""

_EXTENSION = b"XTENSION="


class BrokenFits(HeaderError, ValueError):
    """A file violates the FITS standard; the message is the end of a sentence."""


@dataclass(frozen=True)
class Block:
    """One header and its data.

    Attributes
    ----------
    header : bytes
        All cards, padded to a multiple of 2880 bytes.
    start : int
        Byte in the file at which the header begins.
    data_bytes : int
        Length of the data without padding.
    """

    header: bytes
    start: int
    data_bytes: int

    @property
    def data_start(self) -> int:
        """Byte at which the data begin."""
        return self.start + len(self.header)

    @property
    def stop(self) -> int:
        """First byte after the data and padding."""
        return self.data_start + -(-self.data_bytes // BLOCK) * BLOCK

    def text(self, keyword: str) -> str | None:
        """Return the value of a text keyword; None if it is missing or not a string."""
        value = card_value(self.header, keyword)
        return value if isinstance(value, str) else None

    @property
    def name(self) -> str:
        """``EXTNAME``; ``PRIMARY`` for the first header, which has none."""
        return self.text("EXTNAME") or ("PRIMARY" if self.start == 0 else "unnamed")


def read_blocks(path: str | Path) -> list[Block]:
    """Return the headers of a file with the positions of their data.

    Raises
    ------
    BrokenFits
        If the file is not FITS, is truncated, or continues after its last data.
    """
    with open(path, "rb") as file:
        size, place = os.fstat(file.fileno()).st_size, 0
        blocks: list[Block] = []
        while place < size or not blocks:
            blocks.append(_block(file, place, size))
            place = blocks[-1].stop
    return blocks


def content_digest(path: str | Path) -> str:
    """Return the SHA-256 over all headers of a product.

    The headers contain the SHA-256 of the data (``DATASHA``), so they identify the whole content.
    They take some kilobytes of a file of gigabytes and are read in any case.

    Returns
    -------
    str
        64 hexadecimal digits.

    Raises
    ------
    BrokenFits
        As `read_blocks`.
    """
    return headers_digest(read_blocks(path))


def headers_digest(blocks: Iterable[Block]) -> str:
    """Return the same digest from headers read before."""
    digest = hashlib.sha256()
    for block in blocks:
        digest.update(block.header)
    return digest.hexdigest()


def _block(file: BinaryIO, start: int, size: int) -> Block:
    file.seek(start)
    if start and file.read(len(_EXTENSION)) != _EXTENSION:
        msg = f"has no header at byte {start}"
        raise BrokenFits(msg)
    file.seek(start)
    try:
        header = read_header_bytes(file)
        block = Block(header, start, data_bytes(cards_in(header)))
    except HeaderError as error:
        raise BrokenFits(str(error)) from None
    if block.stop > size:
        msg = f"ends early: {size} bytes of at least {block.stop}"
        raise BrokenFits(msg)
    return block
