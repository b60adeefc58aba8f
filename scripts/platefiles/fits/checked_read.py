"""Read products only if they are unchanged since they were written.

All headers of a product are compared with their SHA-256 when a step first opens it, and each data
unit with its `DATABLK` when it is first read: once in the life of a process, as long as the file
stays the same.
"""

import os
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock

from platefiles.core.block_sums import BlockSum
from platefiles.core.errors import DamagedProduct, UserError
from platefiles.core.hashing import file_sha256
from platefiles.core.provisional import JOB_DIGEST, PROVISIONAL, hold_back
from platefiles.fits.checksums import DATA_SUMS, HEAD_SHA, data_parts, headers_sha256
from platefiles.fits.hdu_layout import Block, BrokenFits, read_blocks

_STEP = "STEP"


@dataclass
class _Opened:
    """A product with intact headers, and the numbers of the HDUs with intact data."""

    blocks: list[Block]
    names: list[str]
    is_provisional: bool
    sound: set[int] = field(default_factory=set)


_opened: dict[tuple, _Opened] = {}
_turn = Lock()


def check_product(path: str | Path, extname: str | int | None = None) -> None:
    """Check that the parts of a product to be read are unchanged.

    A product made from a provisional one is provisional, too (`platefiles.core.provisional`).

    Parameters
    ----------
    path : path-like
        A product of a step. Other FITS files, such as the user's, pass.
    extname : str or int, optional
        Name or number of the HDU to read; by default, only headers are checked.

    Raises
    ------
    DamagedProduct
        If the file was changed since it was written.
    OSError
        If the file is missing.
    """
    info = os.stat(path)
    sign = (info.st_dev, info.st_ino, info.st_size, info.st_mtime_ns, info.st_ctime_ns)
    with _turn:
        if sign not in _opened:
            _opened[sign] = _open(path)
        product = _opened[sign]
        if product.is_provisional:
            hold_back(f"{path} is provisional")
        for number, (block, name) in enumerate(zip(product.blocks, product.names, strict=True)):
            if extname in (number, name) and number not in product.sound:
                _check_data(path, block)
                product.sound.add(number)


def check_file(path: str | Path, sha256: str | None) -> None:
    """Check that the user's file is the one recorded in the job.

    Raises
    ------
    UserError
        If the file differs.
    """
    if file_sha256(path) != sha256:
        msg = f"{path}: changed since the run began; run again"
        raise UserError(msg)


def _open(path: str | Path) -> _Opened:
    """Check the headers of a product; other files count as without sums."""
    try:
        blocks = read_blocks(path)
    except BrokenFits as error:
        raise DamagedProduct(path, f"it {error}") from error
    stated = blocks[0].text(HEAD_SHA)
    if stated is None and blocks[0].text(_STEP) is None:
        return _Opened([], [], False)
    if stated != headers_sha256([block.header for block in blocks]):
        raise DamagedProduct(path, "its headers are not those that were written")
    is_provisional = blocks[0].text(JOB_DIGEST) == PROVISIONAL
    return _Opened(blocks, [block.name for block in blocks], is_provisional)


def _check_data(path: str | Path, block: Block) -> None:
    total = BlockSum()
    with open(path, "rb") as file:
        for part in data_parts(file, block):
            total.update(part)
    if block.data_bytes and block.text(DATA_SUMS) != total.hexdigest():
        raise DamagedProduct(path, f"the data of {block.name} are not those that were written")
