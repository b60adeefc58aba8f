"""Whether the bytes of a file are those that were written: FITS checksums and seals of pictures.

The sums are those of FITS 4.0, section 4.4.2.7 and appendix J (Seaman, Pence and Rots 2012, the
checksum convention).
"""

import mmap
from pathlib import Path

import numpy as np

from platefiles.fitsblocks import Block, BrokenFits, read_blocks
from platefiles.record import EXTNAME
from platefiles.seal import is_intact

ALL_ONES = 0xFFFFFFFF
PICTURES = (".png", ".jpg", ".tif", ".svg")
_CHUNK = 1 << 22
_FIRST_BYTES = 1 << 16
_MARKS = {
    ".fits": (b"CREATOR = 'platelog ", b"JOBDIG  = '", b"STEP    = '"),
    **dict.fromkeys(PICTURES, (b"urn:platelog:record:", b"<platelog:Seal>", b"</platelog:Seal>")),
}


def ones_complement_sum(content: bytes | memoryview | mmap.mmap, total: int = 0) -> int:
    """Add up 32-bit words in one's complement, as FITS checksums want it.

    Parameters
    ----------
    content : bytes-like
        A multiple of 4 bytes, words of 32 bits, most significant byte first.
    total : int
        Sum of what went before.

    Returns
    -------
    int
        From 0 to 2**32 - 1.
    """
    for start in range(0, len(content), _CHUNK):
        words = np.frombuffer(content[start : start + _CHUNK], dtype=">u4")
        total += int(words.sum(dtype=np.uint64))
    while total > ALL_ONES:
        total = (total & ALL_ONES) + (total >> 32)
    return total


def fault(path: str | Path) -> str:
    """Say what is wrong with the bytes of a product or a picture.

    Parameters
    ----------
    path : path-like
        A FITS product, or a picture that a run has drawn.

    Returns
    -------
    str
        What a sentence goes on with; empty if each byte is as it was written.
    """
    if Path(path).suffix in PICTURES:
        return "" if is_intact(Path(path).read_bytes()) else "its bytes do not fit its own digest"
    try:
        blocks = read_blocks(path)
    except BrokenFits as error:
        return str(error)
    with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
        faults = [_fault_of_block(content, block) for block in blocks]
    if found := [text for text in faults if text]:
        return "; ".join(found)
    names = [block.name for block in blocks]
    return "" if EXTNAME in names else "its record is missing"


def _fault_of_block(content: mmap.mmap, block: Block) -> str:
    with memoryview(content) as view:
        header = ones_complement_sum(view[block.start : block.data_start])
        data = ones_complement_sum(view[block.data_start : block.stop])
    stated = block.text("DATASUM")
    if block.text("CHECKSUM") is None or stated is None:
        return f"{block.name} has lost its checksum"
    if stated != str(data):
        return f"the data of {block.name} do not fit their sum"
    whole = ones_complement_sum(b"", header + data)
    return "" if whole == ALL_ONES else f"the header of {block.name} does not fit its sum"


def is_of_a_run(path: str | Path) -> bool:
    """Say whether a file bears a mark of a product or picture, be it damaged or not."""
    marks = _MARKS.get(Path(path).suffix)
    if marks is None:
        return False
    with open(path, "rb") as file:
        content = file.read() if Path(path).suffix in PICTURES else file.read(_FIRST_BYTES)
    return any(mark in content for mark in marks)
