"""Check that FITS products and pictures are unchanged since they were written."""

from pathlib import Path
from typing import BinaryIO

from platefiles.fits.checksums import (
    ALL_ONES,
    DATA_SHA,
    DATA_SUMS,
    HEAD_SHA,
    data_sums,
    headers_sha256,
    ones_complement_sum,
)
from platefiles.fits.hdu_layout import Block, BrokenFits, read_blocks
from platefiles.provenance.content_digest import is_intact
from platefiles.provenance.record import EXTNAME
from platefiles.provenance.xmp import PICTURES

_FIRST_BYTES = 1 << 16
_MARKS = {
    ".fits": (b"CREATOR = 'platelog ", b"JOBDIG  = '", b"STEP    = '"),
    **dict.fromkeys(PICTURES, (b"urn:platelog:record:", b"<platelog:Seal>", b"</platelog:Seal>")),
}


def fault(path: str | Path) -> str:
    """Return the fault in the bytes of a product or a picture.

    Parameters
    ----------
    path : path-like
        A FITS product, or a picture of a run.

    Returns
    -------
    str
        The fault as the end of a sentence; empty if the file is unchanged.
    """
    if Path(path).suffix in PICTURES:
        return "" if is_intact(Path(path).read_bytes()) else "its bytes do not match its digest"
    try:
        blocks = read_blocks(path)
    except BrokenFits as error:
        return str(error)
    with open(path, "rb") as file:
        faults = [text for block in blocks if (text := _fault_of_block(file, block))]
    if EXTNAME not in [block.name for block in blocks]:
        faults.append("its record is missing")
    if not faults and blocks[0].text(HEAD_SHA) != headers_sha256([b.header for b in blocks]):
        faults.append("its headers do not match their digest")
    return "; ".join(faults)


def _fault_of_block(file: BinaryIO, block: Block) -> str:
    """Return the fault in the data or header of an HDU; empty if there is none."""
    total, sha256, quick = data_sums(file, block)
    if block.text("CHECKSUM") is None or block.text("DATASUM") is None:
        return f"{block.name} has lost its checksum"
    if block.data_bytes and block.text(DATA_SHA) is None:
        return f"{block.name} has lost its digest"
    if block.text("DATASUM") != str(total):
        return f"the data of {block.name} do not match their checksum"
    if block.text(DATA_SHA) not in (sha256, None) or block.text(DATA_SUMS) not in (quick, None):
        return f"the data of {block.name} do not match their digest"
    whole = ones_complement_sum(block.header, total)
    return "" if whole == ALL_ONES else f"the header of {block.name} does not match its checksum"


def is_of_a_run(path: str | Path) -> bool:
    """Return whether a file is marked as a product or picture, damaged or not."""
    marks = _MARKS.get(Path(path).suffix)
    if marks is None:
        return False
    with open(path, "rb") as file:
        content = file.read() if Path(path).suffix in PICTURES else file.read(_FIRST_BYTES)
    return any(mark in content for mark in marks)
