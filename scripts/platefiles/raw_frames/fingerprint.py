"""The fingerprint of a raw frame: fast to compute, and different for nearly every other file."""

import hashlib
import os
from pathlib import Path
from typing import BinaryIO

from platefiles.fits.header_reader import HeaderError
from platefiles.raw_frames.raw_header import RawHeader, read_raw_header

TAIL_BYTES = 65536
SCAN_CACHE = ".scan.json"
"""File in the results of a project that keeps what was read of each frame."""


def read_fingerprint(file: BinaryIO, size: int) -> tuple[str, RawHeader | HeaderError]:
    """Return the fingerprint of a frame and its header.

    Parameters
    ----------
    file : binary file
        At its start; the final position is undefined.
    size : int
        Size of the file, bytes.

    Returns
    -------
    fingerprint : str
        16 hexadecimal digits of the SHA-256 over size, headers and the last 64 KB.
    header : RawHeader or HeaderError
        The header, or the reason why it cannot be read.
    """
    hasher = hashlib.sha256(b"%d" % size)
    header: RawHeader | HeaderError
    try:
        header = read_raw_header(file, size, hasher)
    except HeaderError as error:
        header = error
    file.seek(max(0, size - TAIL_BYTES))
    hasher.update(file.read(TAIL_BYTES))
    return hasher.hexdigest()[:16], header


def file_fingerprint(path: str | Path) -> str:
    """Return the present fingerprint of a file."""
    with open(path, "rb") as file:
        fingerprint, _ = read_fingerprint(file, os.fstat(file.fileno()).st_size)
    return fingerprint
