"""The content digest of a picture, which detects changes of the file without any other file.

TIFF and JPEG have no checksums. So each picture holds, in its XMP packet, the SHA-256 of its bytes
with zeros in the place of that digest. In a PNG the CRC of the chunk that holds it is that of the
chunk with zeros, too, while the digest is worked out.
"""

import hashlib
import mmap
import re
import zlib
from typing import BinaryIO

from platefiles.provenance.xmp import SEAL

_SEAL = re.compile(SEAL % rb"([0-9a-f]{64})")
_PNG = b"\x89PNG\r\n\x1a\n"
_PART = 1 << 20


def sealed(content: bytes) -> bytes:
    """Return the content of a picture with its seal.

    Parameters
    ----------
    content : bytes
        A whole file with a placeholder for the seal.

    Raises
    ------
    ValueError
        If the placeholder is missing.
    """
    changed = bytearray(content)
    _seal(changed)
    return bytes(changed)


def seal_file(target: BinaryIO) -> None:
    """Seal a whole picture file, open for reading and writing, with a placeholder for the seal.

    The file is mapped, so its size does not matter for memory.

    Raises
    ------
    ValueError
        If the placeholder is missing.
    """
    target.flush()
    with mmap.mmap(target.fileno(), 0) as content:
        _seal(content)


def is_intact(content: bytes) -> bool:
    """Return whether a picture is unchanged since it was sealed."""
    try:
        return sealed(content) == content
    except ValueError:
        return False


def _seal(content: "bytearray | mmap.mmap") -> None:
    """Work out the digest of a file with zeros in its place, and put it there."""
    found = _SEAL.search(content)
    if found is None:
        msg = "there is no place for a seal"
        raise ValueError(msg)
    place = slice(*found.span(1))
    del found  # it holds on to the content
    _put(content, place, b"0" * 64)
    total = hashlib.sha256()
    with memoryview(content) as view:
        for start in range(0, len(view), _PART):
            total.update(view[start : start + _PART])
    _put(content, place, total.hexdigest().encode())


def _put(content: "bytearray | mmap.mmap", place: slice, digest: bytes) -> None:
    content[place] = digest
    if content[: len(_PNG)] == _PNG:
        _renew_crc(content, place.start)


def _renew_crc(content: "bytearray | mmap.mmap", place: int) -> None:
    """Update the CRC of the chunk around a position: PNG (ISO/IEC 15948), section 5.3."""
    start = len(_PNG)
    while start + 12 <= len(content):
        end = start + 8 + int.from_bytes(content[start : start + 4], "big")
        if start + 8 <= place < end <= len(content) - 4:
            content[end : end + 4] = zlib.crc32(content[start + 4 : end]).to_bytes(4, "big")
            return
        start = end + 4
    msg = "the seal lies in no chunk"
    raise ValueError(msg)
