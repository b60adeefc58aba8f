"""The unpacked size of gzip tiles of a compressed image.

Astropy unpacks a tile to whatever it holds. A few megabytes may hold gigabytes, so each tile is
first unpacked piece by piece, and given up once it is larger than its pixels can be (FITS 4.0,
section 10).
"""

import re
import zlib
from typing import Any

import numpy as np
from astropy.io import fits

_LARGEST_PIXEL = 8
_PIECE = 1 << 20
_DESCRIPTOR = re.compile(r"1?[PQ][BIJ]")
_GZIP_WITH_HEADER = 31


class GzipTiles:
    """The gzip-compressed tiles of a compressed image.

    Parameters
    ----------
    table : astropy.io.fits.BinTableHDU
        The table of the compressed image.
    source : path or open file
        The file to map.
    """

    def __init__(self, table: fits.BinTableHDU, source: Any):
        header = table.header
        self._across = -(-header["ZNAXIS1"] // header.get("ZTILE1", header["ZNAXIS1"]))
        self._height = header.get("ZTILE2", 1)
        pixels = header.get("ZTILE1", header["ZNAXIS1"]) * self._height
        self._most_bytes = _LARGEST_PIXEL * pixels
        by_gzip = {"GZIP_COMPRESSED_DATA"}
        if str(header["ZCMPTYPE"]).startswith("GZIP"):
            by_gzip.add("COMPRESSED_DATA")
        rows = table.data.view(np.ndarray)
        self._columns = [
            (np.asarray(rows[column.name], dtype=np.int64), _bytes_an_element(column.format))
            for column in table.columns
            if column.name in by_gzip and _DESCRIPTOR.match(column.format)
        ]
        start = table.fileinfo()["datLoc"] + header.get(
            "THEAP", header["NAXIS1"] * header["NAXIS2"]
        )
        self._heap = np.memmap(source, dtype=np.uint8, mode="r", offset=start)

    def are_sound(self, start: int, stop: int) -> bool:
        """Return whether no tile of rows ``start`` to ``stop`` decompresses to excess bytes."""
        tiles = slice(start // self._height * self._across, -(-stop // self._height) * self._across)
        return all(
            self._is_sound(offset, count * size)
            for descriptors, size in self._columns
            for count, offset in descriptors[tiles]
        )

    def _is_sound(self, offset: int, size: int) -> bool:
        packed = self._heap[offset : offset + size].tobytes() if offset >= 0 < size else b""
        left = self._most_bytes
        unpacker = zlib.decompressobj(_GZIP_WITH_HEADER)
        while packed and left >= 0:
            left -= len(unpacker.decompress(packed, _PIECE))
            packed = unpacker.unconsumed_tail
            if unpacker.eof:  # another stream may follow
                packed = unpacker.unused_data.lstrip(b"\0")
                unpacker = zlib.decompressobj(_GZIP_WITH_HEADER)
        return left >= 0


def _bytes_an_element(column_format: str) -> int:
    kind = column_format.lstrip("1PQ")[0]
    return {"B": 1, "I": 2, "J": 4}[kind]
