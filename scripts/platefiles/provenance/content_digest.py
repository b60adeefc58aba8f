"""The content digest of a picture, which detects changes of the file without any other file.

TIFF and JPEG have no checksums. So each picture holds, in its XMP packet, the SHA-256 of its bytes
with zeros in the place of that digest. In a PNG the CRC of the chunk that holds it is that of the
chunk with zeros, too, while the digest is worked out.
"""

import hashlib
import re
import zlib
from pathlib import Path

from platefiles.core.errors import DamagedProduct
from platefiles.provenance.xmp import SEAL

_SEAL = re.compile(SEAL % rb"([0-9a-f]{64})")
_PNG = b"\x89PNG\r\n\x1a\n"


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
    blank = _with_digest(content, b"0" * 64)
    return _with_digest(blank, hashlib.sha256(blank).hexdigest().encode())


def is_intact(content: bytes) -> bool:
    """Return whether a picture is unchanged since it was sealed."""
    try:
        return sealed(content) == content
    except ValueError:
        return False


def check_picture(path: str | Path) -> None:
    """Check that a picture of a run is unchanged.

    Raises
    ------
    DamagedProduct
        If it was changed.
    OSError
        If it is missing.
    """
    if not is_intact(Path(path).read_bytes()):
        raise DamagedProduct(path, "its bytes are not those that were written")


def _with_digest(content: bytes, digest: bytes) -> bytes:
    found = _SEAL.search(content)
    if found is None:
        msg = "there is no place for a seal"
        raise ValueError(msg)
    changed = bytearray(content)
    changed[slice(*found.span(1))] = digest
    if content.startswith(_PNG):
        _renew_crc(changed, found.start(1))
    return bytes(changed)


def _renew_crc(content: bytearray, place: int) -> None:
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
