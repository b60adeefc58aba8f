"""Raw frames, opened read-only and read by bands of rows.

A combination of hundreds of them never holds more than a band of each: their files are mapped. What
is packed, as a whole or tile by tile, is unpacked once when it is opened, into a scratch file that
is mapped like any other.
"""

import hashlib
import os
import tempfile
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from astropy.io import fits

from platefiles.core.atomic_write import naming
from platefiles.core.frame_errors import FrameError
from platefiles.core.hashing import file_sha256
from platefiles.fits.header_reader import HeaderError
from platefiles.fits.products_io import DTYPES
from platefiles.raw_frames.frame_watch import FrameWatch, sums_of
from platefiles.raw_frames.gzip_tiles import GzipTiles
from platefiles.raw_frames.page_prefetch import pages_of
from platefiles.raw_frames.raw_file import (
    check_agreement,
    checked_file,
    gzip_tiles_of,
    image_hdu_of,
    is_of_system,
)
from platefiles.raw_frames.sensor_sections import Readout

_SLAB_ROWS = 256


class RawImage:
    """The two-dimensional image of a raw frame, read by bands of rows.

    For a frame with sections, rows, columns and `shape` refer to the trimmed image with its
    overscan level subtracted.

    Attributes
    ----------
    path : path-like
        The file.
    shape : tuple of int
        ``(ny, nx)``.
    header : astropy.io.fits.Header
        The header of the image, followed by that of the primary HDU.
    full_scale : float
        Largest value of the file's integer format minus the highest overscan level; infinity for
        floats.
    overscan_adu : float
        Overscan level, ADU; 0 without overscan.
    step : float
        Quantization step of the file; 0 for floats. With overscan it is at least the range of the
        overscan level, by which equal raw values differ after subtraction.
    """

    def __init__(
        self,
        path: str | Path,
        sections: Mapping[str, str] | None = None,
        most_rows: int | None = None,
        watch: FrameWatch | None = None,
    ):
        self.path, self._watch = path, watch
        self._levels: np.ndarray | None = None
        self._readout = Readout.of_facts(sections)
        self.overscan_adu = 0.0
        self._words: Any = None
        self._pages: Any = None
        self._file = None
        self._scratch: BinaryIO | None = None
        try:
            if watch is not None:
                watch.begin()
            header, self._scratch = checked_file(path, most_rows)
            source = os.fspath(path) if self._scratch is None else self._scratch
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                self._file = fits.open(
                    source, mode="readonly", memmap=True, do_not_scale_image_data=True
                )
                self._hdu = image_hdu_of(self._file)
                self.header = self._hdu.header.copy()
                if self._hdu is not self._file[0]:
                    self.header.extend(self._file[0].header, unique=True)
                self.shape: tuple[int, int] = (self._hdu.shape[-2], self._hdu.shape[-1])
                check_agreement(self.shape, header)
                if most_rows is not None:
                    self.shape = (min(most_rows, self.shape[0]), self.shape[1])
                self._understand(source)
        except BaseException as error:
            self.close()
            if isinstance(error, FrameError) or is_of_system(error):
                raise
            msg = str(error) if isinstance(error, HeaderError) else "is not a readable FITS file"
            raise FrameError(msg) from error

    def _understand(self, source: Any) -> None:
        self._zero = float(self.header.get("BZERO", 0.0))
        self._scale = float(self.header.get("BSCALE", 1.0))
        self._blank = self.header.get("BLANK")
        dtype = np.dtype(DTYPES[int(self.header["BITPIX"])])
        top = np.inf if dtype.kind == "f" else float(np.iinfo(dtype).max)
        self.full_scale = top * self._scale + self._zero
        self.step = 0.0 if dtype.kind == "f" else abs(self._scale)
        if isinstance(self._hdu, fits.CompImageHDU):
            self._words = self._unpacked(gzip_tiles_of(source), dtype)
        else:
            self._words = self._map(source, dtype)
        self._pages = pages_of(self._words)[0]
        self._is_the_file = not self._scratch and not isinstance(self._hdu, fits.CompImageHDU)
        self._release()  # the map is enough, and a run has many frames open
        if self._readout is not None:
            self._trim(self._readout)

    def _trim(self, readout: Readout) -> None:
        """Trim the frame, and subtract the level of the overscan."""
        ny, nx = self.shape
        for section in (readout.trim, readout.bias):
            if section is not None and not section.fits(nx, ny):
                msg = f"has no section {section} in {nx}x{ny} px"
                raise FrameError(msg)
        if readout.bias is not None:
            self._look(readout.bias.bottom, readout.bias.top)
            try:
                self._levels = readout.levels(self._values(readout.bias.of(self._words)))
            except ValueError as error:
                raise FrameError(str(error)) from error
            self.overscan_adu = float(self._levels.max())
            self.full_scale -= self.overscan_adu
            self.step = max(self.step, float(np.ptp(self._levels)))
        self.shape = readout.trim.size[::-1]

    def _unpacked(self, tiles: GzipTiles, dtype: np.dtype) -> np.memmap:
        """Decompress an image into a scratch file and map that."""
        with naming(tempfile.gettempdir()), tempfile.TemporaryFile() as scratch:
            for start in range(0, self.shape[0], _SLAB_ROWS):
                stop = min(start + _SLAB_ROWS, self.shape[0])
                rows = self._decompressed(tiles, start, stop)
                scratch.write(rows.astype(dtype, copy=False).tobytes())
            scratch.flush()
            return np.memmap(scratch, dtype=dtype, mode="r", shape=self.shape)

    def _decompressed(self, tiles: GzipTiles, start: int, stop: int) -> np.ndarray:
        msg = f"has damaged data in rows {start} to {stop}"
        try:
            if tiles.are_sound(start, stop):
                plane = (0,) * (len(self._hdu.shape) - 2)
                return np.ascontiguousarray(self._hdu.section[(*plane, slice(start, stop))])
        except Exception as error:
            if is_of_system(error):
                raise
            raise FrameError(msg) from error
        raise FrameError(msg)

    def _map(self, source: Any, dtype: np.dtype) -> np.memmap:
        """Map the pixels of an uncompressed image, after checking that it is complete."""
        start = self._hdu.fileinfo()["datLoc"]
        needed = start + self.shape[0] * self.shape[1] * dtype.itemsize
        size = os.fstat(source.fileno()).st_size if self._scratch else os.stat(source).st_size
        if size < needed:
            msg = f"is cut short: {size} bytes of {needed}"
            raise FrameError(msg)
        return np.memmap(source, dtype=dtype, mode="r", offset=start, shape=self.shape)

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Return rows ``start`` to ``stop`` as physical values.

        Returns
        -------
        numpy.ndarray
            ``(stop - start, nx)`` float32, native order, NaN for BLANK and non-finite values.
        """
        if self._readout is None:
            self._look(start, stop)
            return self._values(self._words[start:stop])
        trim = self._readout.trim
        self._look(trim.bottom + start, trim.bottom + stop)
        values = self._values(trim.of(self._words)[start:stop])
        if self._levels is not None:
            values -= self._levels if len(self._levels) == 1 else self._levels[start:stop]
        return values

    def _values(self, words: np.ndarray) -> np.ndarray:
        """Convert stored words to physical values, float32."""
        # 32 bits of an integer do not fit a float32 before BZERO is added.
        wide = words.dtype.kind != "f" and words.dtype.itemsize > 2
        values: Any = np.asarray(words).astype(np.float64 if wide else np.float32)
        if self._scale != 1.0:
            values *= self._scale
        if self._zero:
            values += self._zero
        if words.dtype.kind == "f":
            values[~np.isfinite(values)] = np.nan
        elif self._blank is not None:
            values[np.asarray(words) == self._blank] = np.nan
        return values.astype(np.float32, copy=False)

    def words(self, start: int, stop: int) -> np.ndarray:
        """Return rows as stored if they are unsigned 16-bit words, else as values.

        Returns
        -------
        numpy.ndarray
            ``(stop - start, nx)``: mapped ``>i2`` with offset 32768 to be added; or float32 as from
            :meth:`rows`.
        """
        plain = (self._zero, self._scale, self._blank) == (32768.0, 1.0, None)
        if plain and self._readout is None and self._words.dtype == np.dtype(">i2"):
            self._pages.fetch(start, stop)
            self._look(start, stop)
            return np.asarray(self._words[start:stop])
        return self.rows(start, stop)

    def _look(self, start: int, stop: int) -> None:
        """Compare stored rows with their recorded checksums."""
        if self._watch is not None:
            self._watch.look(self._words, start, stop)

    def check_all(self) -> None:
        """Compare all rows with their recorded checksums, and the file with its state at opening.

        Raises
        ------
        ChangedFrame
            If the file changed since it was opened or measured.
        """
        self._look(0, len(self._words))
        self.check_unchanged()

    def check_unchanged(self) -> None:
        """Check that the file was not written to since it was opened.

        Raises
        ------
        ChangedFrame
            If it was.
        """
        if self._watch is not None:
            self._watch.end()

    def sums(self) -> str:
        """Return the checksums of the pixels, for comparison in later steps."""
        return sums_of(self._words)

    def sha256(self) -> str:
        """Return the SHA-256 of the file's bytes, without reading mapped pixels again."""
        if not self._is_the_file:
            return file_sha256(self.path)
        self._pages.fetch(0, len(self._words))
        start, size = self._words.offset, self._words.nbytes
        with open(self.path, "rb") as file:
            digest = hashlib.sha256(file.read(start))
            digest.update(self._words)
            file.seek(start + size)
            digest.update(file.read())
        return digest.hexdigest()

    def data(self) -> np.ndarray:
        """Return the whole image, ``(ny, nx)`` float32."""
        return self.rows(0, self.shape[0])

    def close(self) -> None:
        """Close the file."""
        self._words = self._pages = None
        self._release()

    def _release(self) -> None:
        for handle in (self._file, self._scratch):
            if handle is not None:
                handle.close()

    def __enter__(self) -> "RawImage":
        """Return the image itself."""
        return self

    def __exit__(self, kind: object, *error: object) -> None:
        """Close the file after checking that it was not written to."""
        try:
            if kind is None:
                self.check_unchanged()
        finally:
            self.close()


def open_frame(path: str | Path, facts: Mapping[str, Any], sums: str = "") -> RawImage:
    """Open a raw frame of a job and check that it is the recorded frame.

    Parameters
    ----------
    path : path-like
    facts : mapping
        Its row in the job: ``name``, ``fingerprint`` and ``sections``, if it has any.
    sums : str
        `RawImage.sums` of the measured frame; pixels are compared on reading.

    Raises
    ------
    FrameError
        As `open_raw`; `ChangedFrame` if the frame differs from the recorded one.
    OSError
        If the file is out of reach.
    """
    return RawImage(path, facts.get("sections"), watch=FrameWatch(path, facts, sums))


def open_raw(
    path: str | Path, sections: Mapping[str, str] | None = None, most_rows: int | None = None
) -> RawImage:
    """Open a raw frame for reading.

    Parameters
    ----------
    path : path-like
    sections : mapping of str to str, optional
        Image and overscan sections, see `platefiles.raw_frames.sensor_sections.Readout.facts`.
    most_rows : int, optional
        Number of rows to read, from the first; a compressed file is decompressed up to there.

    Raises
    ------
    FrameError
        With the reason: not FITS, no two-dimensional image, cut short.
    OSError
        If the file is out of reach, regardless of its content.
    """
    return RawImage(path, sections, most_rows)
