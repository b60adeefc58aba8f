"""Where the parts of a FITS file lie, told by its headers alone; no data are read.

FITS 4.0 (Pence et al. 2010, A&A 524, A42, and the standard of 2018), sections 3 and 4.
"""

import hashlib
import math
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

BLOCK = 2880
_CARD = 80
_MOST_BLOCKS = 4096
_MOST_AXES = 999
_INTEGER = re.compile(rb"([A-Z0-9_-]{1,8}) *= +(-?\d+) *(/.*)?")
_TEXT = re.compile(rb"([A-Z0-9_-]{1,8}) *= '((?:[^']|'')*)' *(/.*)?")


class BrokenFits(ValueError):
    """A file is not built as FITS prescribes; the message is what a sentence goes on with."""


@dataclass(frozen=True)
class Block:
    """One header and its data.

    Attributes
    ----------
    header : bytes
        All cards, filled up to a multiple of 2880 bytes.
    start : int
        Byte in the file at which the header begins.
    data_bytes : int
        Length of the data without what fills them up.
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
        """Byte after the last one, fill included."""
        return self.data_start + -(-self.data_bytes // BLOCK) * BLOCK

    def text(self, keyword: str) -> str | None:
        """Return the value of a text keyword; None if it is not there, or no text."""
        return _texts(self.header).get(keyword)

    @property
    def name(self) -> str:
        """``EXTNAME``; ``PRIMARY`` for the first header, which has none."""
        return self.text("EXTNAME") or ("PRIMARY" if self.start == 0 else "unnamed")


def read_blocks(path: str | Path) -> list[Block]:
    """Find the headers of a file and where their data lie.

    Raises
    ------
    BrokenFits
        If the file is no FITS file, ends early, or goes on after its last data.
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

    The headers hold the SHA-256 of the data (``DATASHA``), so they stand for the whole content, and
    whoever opens a product reads them anyhow: some kilobytes of a file of gigabytes.

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
    """Return the same of headers that were read before."""
    digest = hashlib.sha256()
    for block in blocks:
        digest.update(block.header)
    return digest.hexdigest()


def _block(file: BinaryIO, start: int, size: int) -> Block:
    header = _header(file, start)
    block = Block(header, start, _data_bytes(header, first=start == 0))
    if block.stop > size:
        msg = f"ends early: {size} bytes of at least {block.stop}"
        raise BrokenFits(msg)
    return block


def _header(file: BinaryIO, start: int) -> bytes:
    file.seek(start)
    begin = b"SIMPLE  =" if start == 0 else b"XTENSION="
    content = b""
    for _ in range(_MOST_BLOCKS):
        part = file.read(BLOCK)
        if len(part) < BLOCK:
            msg = "ends within a header" if start or content else "is no FITS file"
            raise BrokenFits(msg)
        if not content and not part.startswith(begin):
            msg = f"has no header at byte {start}" if start else "is no FITS file"
            raise BrokenFits(msg)
        content += part
        if any(part[i : i + 8] == b"END     " for i in range(0, BLOCK, _CARD)):
            return content
    msg = f"has a header at byte {start} that does not end"
    raise BrokenFits(msg)


def _data_bytes(header: bytes, first: bool) -> int:
    """Length of the data: equations 1 and 2 of FITS 4.0, section 4.4.1."""
    numbers = _numbers(header)
    try:
        axes = numbers["NAXIS"]
        if not 0 <= axes <= _MOST_AXES or numbers["BITPIX"] not in (8, 16, 32, 64, -32, -64):
            msg = "has a header that tells no size of its data"
            raise BrokenFits(msg)
        sides = [numbers[f"NAXIS{i}"] for i in range(1, axes + 1)]
    except KeyError as error:
        msg = f"has a header without {error.args[0]}"
        raise BrokenFits(msg) from None
    more, groups = (0, 1) if first else (numbers.get("PCOUNT", 0), numbers.get("GCOUNT", 1))
    elements = groups * (more + math.prod(sides)) if axes else 0
    if elements < 0 or min([*sides, more, groups], default=0) < 0:
        msg = "has a header that tells a negative size"
        raise BrokenFits(msg)
    return elements * abs(numbers["BITPIX"]) // 8


def _cards(header: bytes) -> list[bytes]:
    return [header[i : i + _CARD] for i in range(0, len(header), _CARD)]


def _numbers(header: bytes) -> dict[str, int]:
    found = (_INTEGER.fullmatch(card) for card in _cards(header))
    return {match[1].decode(): int(match[2]) for match in found if match}


def _texts(header: bytes) -> dict[str, str]:
    found = (_TEXT.fullmatch(card) for card in _cards(header))
    return {
        match[1].decode(): match[2].decode("ascii", "replace").replace("''", "'").rstrip()
        for match in found
        if match
    }
