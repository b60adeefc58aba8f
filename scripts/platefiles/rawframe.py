"""Raw frames, opened read-only and handed out a band of rows at a time.

A combination of hundreds of them never holds more than a band of each.
"""

import gzip
import os
import shutil
import tempfile
import threading
import warnings
import zlib
from pathlib import Path
from typing import IO, Any

import numpy as np
from astropy.io import fits

from platefiles.fitsfile import DTYPES


class FrameError(Exception):
    """A raw frame that cannot be used; the message is the reason, in a few words."""


class RawImage:
    """The two-dimensional image of a raw frame, read by bands of rows.

    Attributes
    ----------
    shape : tuple of int
        ``(ny, nx)``.
    header : astropy.io.fits.Header
        The header of the image, with that of the primary HDU below it.
    full_scale : float
        The largest value that the file's integer format can hold; infinity for floats.
    """

    def __init__(self, path: str | Path):
        self._words: Any = None
        self._lock = threading.Lock()
        self._file = None
        self._scratch = _gunzip(path) if _is_packed(path) else None
        source = self._scratch if self._scratch is not None else os.fspath(path)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                self._file = fits.open(
                    source, mode="readonly", memmap=True, do_not_scale_image_data=True
                )
                self._hdu = _image_hdu(self._file)
                self.header = self._hdu.header.copy()
                if self._hdu is not self._file[0]:
                    self.header.extend(self._file[0].header, unique=True)
            self._understand(source)
        except BaseException as error:
            self.close()
            if isinstance(error, FrameError) or _is_of_system(error):
                raise
            msg = "is not a readable FITS file"
            raise FrameError(msg) from error

    def _understand(self, source: Any) -> None:
        self.shape: tuple[int, int] = (int(self._hdu.shape[0]), int(self._hdu.shape[1]))
        self._zero = float(self.header.get("BZERO", 0.0))
        self._scale = float(self.header.get("BSCALE", 1.0))
        self._blank = self.header.get("BLANK")
        self._compressed = isinstance(self._hdu, fits.CompImageHDU)
        dtype = np.dtype(DTYPES[int(self.header["BITPIX"])])
        top = np.inf if dtype.kind == "f" else float(np.iinfo(dtype).max)
        self.full_scale = top * self._scale + self._zero
        if not self._compressed:
            self._words = self._map(source, dtype)
            self._release()  # the map is enough, and a run has many frames open

    def _map(self, source: Any, dtype: np.dtype) -> np.ndarray:
        """Map the pixels of an uncompressed image, after checking that they are all there."""
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
            ``(stop - start, nx)`` float32, native order, NaN where the file says BLANK or holds
            no finite number.

        Raises
        ------
        FrameError
            If the data cannot be decompressed.
        """
        if self._compressed:
            with self._lock:  # one file position for all threads
                words = self._decompressed(start, stop)
        else:
            words = self._words[start:stop]
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

    def _decompressed(self, start: int, stop: int) -> np.ndarray:
        try:
            return np.asarray(self._hdu.section[start:stop])
        except Exception as error:
            if _is_of_system(error):
                raise
            msg = f"has damaged data in rows {start} to {stop}"
            raise FrameError(msg) from error

    def probe(self) -> None:
        """Make sure that all pixels can be read.

        Raises
        ------
        FrameError
            If some cannot be decompressed.
        """
        if self._compressed:
            self.data()

    def hold(self) -> None:
        """Decompress a compressed image once and for all, for a reader that passes over it twice.

        Raises
        ------
        FrameError
            If the data cannot be decompressed.
        """
        if self._compressed:
            with self._lock:
                words = self._decompressed(0, self.shape[0])
            self._words = words.astype(words.dtype.newbyteorder(">"), copy=False)
            self._compressed = False

    def words(self, start: int, stop: int) -> np.ndarray:
        """Return rows as they lie in the file, if they are unsigned 16-bit words, else values.

        Returns
        -------
        numpy.ndarray
            ``(stop - start, nx)``: mapped ``>i2``, to which 32768 is to be added; or float32 as
            :meth:`rows` gives them.

        Raises
        ------
        FrameError
            If the data cannot be read or decompressed.
        """
        plain = (self._zero, self._scale, self._blank) == (32768.0, 1.0, None)
        if plain and self._words is not None and self._words.dtype == np.dtype(">i2"):
            return np.asarray(self._words[start:stop])
        return self.rows(start, stop)

    def data(self) -> np.ndarray:
        """Return the whole image, ``(ny, nx)`` float32."""
        return self.rows(0, self.shape[0])

    def close(self) -> None:
        """Let go of the file; reading is at an end."""
        self._words = None
        self._release()

    def _release(self) -> None:
        for handle in (self._file, self._scratch):
            if handle is not None:
                handle.close()

    def __enter__(self) -> "RawImage":
        """Return the image itself."""
        return self

    def __exit__(self, *exception: object) -> None:
        """Close the file."""
        self.close()


def open_raw(path: str | Path) -> RawImage:
    """Open a raw frame for reading.

    Raises
    ------
    FrameError
        With the reason: not FITS, no two-dimensional image, cut short.
    OSError
        If the file is out of reach, which says nothing about its content.
    """
    return RawImage(path)


def _is_of_system(error: BaseException) -> bool:
    """Say whether an error is of the disk or of the machine, not of a file's content."""
    return not isinstance(error, Exception) or getattr(error, "errno", None) is not None


def _is_packed(path: str | Path) -> bool:
    with open(path, "rb") as file:
        return file.read(2) == b"\x1f\x8b"


def _gunzip(path: str | Path) -> IO[bytes]:
    """Decompress a frame into a scratch file, which can be mapped; it vanishes when closed."""
    with tempfile.NamedTemporaryFile(suffix=".fits") as scratch:
        try:
            with gzip.open(path, "rb") as packed:
                shutil.copyfileobj(packed, scratch, 1 << 20)
        except (OSError, EOFError, zlib.error) as error:
            if _is_of_system(error):
                raise
            msg = "is cut short or damaged: it cannot be decompressed"
            raise FrameError(msg) from error
        scratch.flush()
        return open(scratch.name, "rb")


def _image_hdu(hdus: fits.HDUList):
    for hdu in hdus:
        if hdu.is_image and hdu.header.get("NAXIS", 0) == 2 and min(hdu.shape) > 0:
            return hdu
    msg = "holds no two-dimensional image"
    raise FrameError(msg)
