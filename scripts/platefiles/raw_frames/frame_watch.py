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
    """Return the sums of the blocks of 128 rows of a frame, one after the other.

    Parameters
    ----------
    words : numpy.ndarray
        ``(ny, nx)``, contiguous: the pixels as they are stored, unpacked.

    Returns
    -------
    str
        16 hexadecimal digits a block, see `platefiles.core.block_sums.block_sum`.
    """
    starts = range(0, len(words), BLOCK_ROWS)
    return "".join(block_sum(words[start : start + BLOCK_ROWS]) for start in starts)


class FrameWatch:
    """Compares a file with what is known of it: before, while and after it is read.

    Parameters
    ----------
    path : path-like
    facts : mapping
        Its row in the job: ``id``, ``name`` and ``fingerprint``.
    sums : str
        What `sums_of` gave when it was measured; empty where it was not.
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
            If it is another one. What the job makes is provisional then, here and below.
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
        """Compare the sums of the blocks in which some rows lie; each block once.

        Parameters
        ----------
        words : numpy.ndarray
            As for `sums_of`.
        start, stop : int
            First row and the one after the last.

        Raises
        ------
        ChangedFrame
            If a block is not what was measured.
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
        """Look whether the file was written to since the watch began.

        Raises
        ------
        ChangedFrame
            If it was, or is not there any more.
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
    """What changes when a file is written to, whatever becomes of its modification time."""
    return info.st_size, info.st_mtime_ns, info.st_ctime_ns
