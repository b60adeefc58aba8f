"""Check that a raw frame matches its job, and stays unchanged while a step reads it."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.core.block_sums import block_sum
from platefiles.core.frame_errors import ChangedFrame
from platefiles.core.provisional import hold_back
from platefiles.raw_frames.fingerprint import read_fingerprint

BLOCK_ROWS = 128
_DIGITS = 16


def sums_of(words: np.ndarray) -> str:
    """Return the concatenated checksums of the blocks of 128 rows of a frame.

    Parameters
    ----------
    words : numpy.ndarray
        ``(ny, nx)``, contiguous: the pixels as stored, decompressed.

    Returns
    -------
    str
        16 hexadecimal digits per block, see `platefiles.core.block_sums.block_sum`.
    """
    starts = range(0, len(words), BLOCK_ROWS)
    return "".join(block_sum(words[start : start + BLOCK_ROWS]) for start in starts)


class FrameWatch:
    """Compares a file with its recorded facts: before, during and after reading.

    Parameters
    ----------
    path : path-like
    facts : mapping
        Its row in the job: ``id``, ``name`` and ``fingerprint``.
    sums : str
        Output of `sums_of` at the measurement; empty without one.
    """

    def __init__(self, path: str | Path, facts: Mapping[str, Any], sums: str = ""):
        self._path, self._facts = path, facts
        self._sums = [sums[i : i + _DIGITS] for i in range(0, len(sums), _DIGITS)]
        self._looked = [False] * len(self._sums)
        self._sign: tuple[int, ...] = ()
        self._refused = ""

    def begin(self) -> None:
        """Compare the fingerprint.

        Raises
        ------
        ChangedFrame
            If it differs. The product of the job is provisional then, here and below.
        OSError
            If the file is out of reach.
        """
        with open(self._path, "rb") as file:
            info = os.fstat(file.fileno())
            self._sign = _sign(info)
            found, _ = read_fingerprint(file, info.st_size)
        if found != self._facts["fingerprint"]:
            self._refuse("changed since the run began; the next run reads it again")

    def look(self, words: np.ndarray, start: int, stop: int) -> None:
        """Compare the checksums of the blocks that contain rows; each block once.

        Parameters
        ----------
        words : numpy.ndarray
            As for `sums_of`.
        start, stop : int
            First row and the one after the last.

        Raises
        ------
        ChangedFrame
            If a block differs from the measured one.
        """
        if self._refused:
            self._refuse(self._refused)
        if not self._sums:
            return
        for block in range(start // BLOCK_ROWS, -(-stop // BLOCK_ROWS)):
            if not self._looked[block]:
                self._looked[block] = True
                first = block * BLOCK_ROWS
                part = words[first : first + BLOCK_ROWS]
                if block_sum(part) != self._sums[block]:
                    self._refuse(
                        f"changed since it was measured (rows {first + 1} to {first + len(part)}); "
                        "restore it from a copy, or leave it out with exclude in the project file"
                    )

    def end(self) -> None:
        """Check that the file was not written to since the watch began.

        Raises
        ------
        ChangedFrame
            If it was, or is missing.
        """
        try:
            unchanged = _sign(os.stat(self._path)) == self._sign
        except FileNotFoundError:
            unchanged = False
        if not unchanged:
            self._refuse("changed while it was being read; the next run reads it again")

    def _refuse(self, reason: str) -> None:
        self._refused = reason
        hold_back(f"{self._facts['name']} {reason}")
        raise ChangedFrame(reason, self._facts)


def _sign(info: os.stat_result) -> tuple[int, ...]:
    """Return facts that change on every write to a file, even if its modification time is reset."""
    return info.st_size, info.st_mtime_ns, info.st_ctime_ns
