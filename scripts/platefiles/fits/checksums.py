"""Sums and digests in the headers of a product, and its length.

DATASUM and CHECKSUM are those of FITS 4.0, section 4.4.2.7 and appendix J (Seaman, Pence and Rots
2012, the checksum convention). They are sums in one's complement, which neither exchanged sectors
nor 0 in the place of FFFFFFFF change. So each HDU also holds the SHA-256 of its data unit, and the
first one that of all headers. DATABLK is a digest that costs a reader next to nothing, so it is
compared whenever a step reads the data (`platefiles.fits.checked_read`).
"""

import hashlib
import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, BinaryIO

import numpy as np

from platefiles.core.block_sums import BlockSum
from platefiles.core.provisional import JOB_DIGEST, PROVISIONAL, held_back
from platefiles.fits.hdu_layout import FILE_SIZE, Block, read_blocks
from platefiles.fits.header_reader import card_start
from platefiles.fits.product_cards import comment_of

if TYPE_CHECKING:
    from astropy.io import fits  # slow to import

ALL_ONES = 0xFFFFFFFF
DATA_SHA, HEAD_SHA, DATA_SUMS = "DATASHA", "HEADSHA", "DATABLK"
_PART = 1 << 20
_VALUE = 10
_NO_LETTERS = frozenset(b":;<=>?@[\\]^_`")


def reserve(header: "fits.Header") -> None:
    """Add placeholders for the cards that `add_sums` fills, to reserve their room in the header.

    Parameters
    ----------
    header : astropy.io.fits.Header
        Changed in place.
    """
    if "SIMPLE" in header:
        header.set(FILE_SIZE, 0, comment_of(FILE_SIZE), after="EXTEND")
        header.set(HEAD_SHA, "0" * 64, after=FILE_SIZE)
    if header.get("NAXIS", 0):
        header[DATA_SHA] = "0" * 64
        header[DATA_SUMS] = ("0" * 16, comment_of(DATA_SUMS))
    for keyword in ("CHECKSUM", "DATASUM"):
        header[keyword] = ("0" * 16, comment_of(keyword))


def add_sums(target: BinaryIO, numbers: Mapping[str, int] | None = None, threads: int = 1) -> None:
    """Fill the cards of `reserve` in an otherwise complete product.

    Parameters
    ----------
    target : binary file
        Open for reading and writing, with a name.
    numbers : mapping of str to int, optional
        Values of further cards of the primary header, which exist with placeholder numbers.
    threads : int
        Number of HDUs read at a time; it changes no bit.
    """
    target.flush()
    blocks = read_blocks(target.name)
    with ThreadPoolExecutor(threads) as pool:
        sums = list(pool.map(lambda block: data_sums(target, block), blocks))
    numbers = {**(numbers or {}), FILE_SIZE: blocks[-1].stop}
    headers = [block.header for block in blocks]
    for keyword, number in numbers.items():
        headers[0] = with_value(headers[0], keyword, f"{number:>20}")
    if held_back() and has_card(headers[0], JOB_DIGEST):
        headers[0] = with_value(headers[0], JOB_DIGEST, f"'{PROVISIONAL:<16}'")
    for k, (total, sha256, quick) in enumerate(sums):
        if has_card(headers[k], DATA_SHA):
            headers[k] = with_value(headers[k], DATA_SHA, f"'{sha256}'")
            headers[k] = with_value(headers[k], DATA_SUMS, f"'{quick}'")
        headers[k] = _with_checksum(with_value(headers[k], "DATASUM", f"'{total:<8}'"), total)
    headers[0] = with_value(headers[0], HEAD_SHA, f"'{headers_sha256(headers)}'")
    headers[0] = _with_checksum(headers[0], sums[0][0])
    for block, header in zip(blocks, headers, strict=True):
        target.seek(block.start)
        target.write(header)


def data_digests(blocks: Sequence[Block]) -> dict[str, str]:
    """Return the digests of a product's data units from its headers: ``DATASHA`` by HDU name."""
    told = {block.name: block.text(DATA_SHA) for block in blocks}
    return {name: sha256 for name, sha256 in told.items() if sha256 is not None}


def data_sums(file: BinaryIO, block: Block) -> tuple[int, str, str]:
    """Return the checksum and the digests of a data unit including its padding.

    Parameters
    ----------
    file : binary file
        Safe for threads: its position is neither used nor changed.
    block : Block
        One of its HDUs.

    Returns
    -------
    total : int
        As in DATASUM.
    sha256 : str
        As in DATASHA.
    quick : str
        As in DATABLK.
    """
    total, digest, quick = 0, hashlib.sha256(), BlockSum()
    for part in data_parts(file, block):
        digest.update(part)
        quick.update(part)
        total = ones_complement_sum(part, total)
    return total, digest.hexdigest(), quick.hexdigest()


def data_parts(file: BinaryIO, block: Block) -> Iterator[memoryview]:
    """Yield a data unit including its padding in parts of 1 MB; each part is valid until the next.

    Parameters
    ----------
    file, block
        As for `data_sums`.
    """
    room = bytearray(_PART)
    for start in range(block.data_start, block.stop, _PART):
        part = memoryview(room)[: min(_PART, block.stop - start)]
        _read_into(file.fileno(), part, start)
        yield part


def _read_into(handle: int, part: memoryview, start: int) -> None:
    while part:
        count = os.preadv(handle, [part], start)
        if not count:
            msg = "the file became shorter while it was read"
            raise EOFError(msg)
        part, start = part[count:], start + count


def ones_complement_sum(content: bytes | memoryview, total: int = 0) -> int:
    """Return the one's complement sum of 32-bit words for FITS checksums.

    Parameters
    ----------
    content : bytes-like
        A multiple of 4 bytes, words of 32 bits, most significant byte first.
    total : int
        Sum of the preceding words.

    Returns
    -------
    int
        From 0 to 2**32 - 1.
    """
    words = np.frombuffer(content, dtype=">u4")
    total += int(words.sum(dtype=np.uint64))
    while total > ALL_ONES:
        total = (total & ALL_ONES) + (total >> 32)
    return total


def headers_sha256(headers: Sequence[bytes]) -> str:
    """Return the SHA-256 of all headers of a file, with the dependent values zeroed.

    That is the value of HEADSHA and, in the same header, of CHECKSUM.
    """
    first = headers[0]
    for keyword, zeros in ((HEAD_SHA, "0" * 64), ("CHECKSUM", "0" * 16)):
        if has_card(first, keyword):
            first = with_value(first, keyword, f"'{zeros}'")
    return hashlib.sha256(b"".join([first, *headers[1:]])).hexdigest()


def has_card(header: bytes, keyword: str) -> bool:
    """Return whether a header has a card with a value."""
    return card_start(header, keyword) >= 0


def with_value(header: bytes, keyword: str, value: str) -> bytes:
    """Return a header with the value of a card replaced; the comment keeps its column."""
    place = card_start(header, keyword) + _VALUE
    content = value.ljust(20).encode("ascii")
    return header[:place] + content + header[place + len(content) :]


def _with_checksum(header: bytes, data_sum: int) -> bytes:
    zeroed = with_value(header, "CHECKSUM", f"'{'0' * 16}'")
    return with_value(header, "CHECKSUM", f"'{encoded(ones_complement_sum(zeroed, data_sum))}'")


def encoded(total: int) -> str:
    """Return the complement of a sum as 16 letters and digits: FITS 4.0, appendix J.2."""
    letters = bytearray(16)
    for k, byte in enumerate((total ^ ALL_ONES).to_bytes(4, "big")):
        four = [byte // 4 + ord("0")] * 4
        four[0] += byte % 4
        for i in (0, 2):
            while four[i] in _NO_LETTERS or four[i + 1] in _NO_LETTERS:
                four[i], four[i + 1] = four[i] + 1, four[i + 1] - 1
        letters[k::4] = bytes(four)
    return (letters[-1:] + letters[:-1]).decode("ascii")
