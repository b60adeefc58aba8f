"""The one module that reads and writes FITS.

Raw frames are opened read-only and handed out a band of rows at a time, so that a combination
of hundreds of them never holds more than a band of each. Products are written to a temporary
name beside their place, flushed to the disk and renamed: a product either is whole or is not
there. Checksums carry no wall-clock time, so equal data give equal bytes.
"""

import gzip
import os
import shutil
import tempfile
import threading
import warnings
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import numpy as np
from astropy.io import fits

from platefiles.wholefile import write_whole

if TYPE_CHECKING:
    from astropy.table import Table

_DTYPES = {8: "u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}
CHECKSUM_COMMENT = "of this HDU, FITS 4.0 checksum convention"


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
        dtype = np.dtype(_DTYPES[int(self.header["BITPIX"])])
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


def read_image(path: str | Path, extname: str = "SCI") -> tuple[np.ndarray, fits.Header]:
    """Read an image of a product.

    Returns
    -------
    image : numpy.ndarray
        Native byte order; float images as float32.
    header : astropy.io.fits.Header
    """
    with fits.open(path, memmap=False) as hdus:
        data, header = hdus[extname].data, hdus[extname].header.copy()
    dtype = np.float32 if data.dtype.kind == "f" else data.dtype.newbyteorder("=")
    return np.ascontiguousarray(data, dtype=dtype), header


def map_image(path: str | Path, extname: str = "SCI") -> np.ndarray:
    """Map an image of a product, read-only, in the byte order of the file.

    Returns
    -------
    numpy.ndarray
        Pages of it are read when they are looked at and given back when memory is short.
    """
    with fits.open(path, memmap=True) as hdus:
        hdu = hdus[extname]
        place, shape = hdu.fileinfo()["datLoc"], hdu.shape
        dtype = np.dtype(_DTYPES[int(hdu.header["BITPIX"])])
    return np.asarray(np.memmap(path, dtype=dtype, mode="r", offset=place, shape=shape))


def has_image(path: str | Path, extname: str) -> bool:
    """Say whether a product has the named HDU."""
    with fits.open(path) as hdus:
        return extname in hdus


def read_table(path: str | Path, extname: str) -> "Table":
    """Read a table of a product, strings as str."""
    from astropy.table import Table  # slow to import

    with fits.open(path, memmap=False) as hdus:
        table = Table(hdus[extname].data)
    for name in table.colnames:
        column = table[name]
        if column.dtype.kind in "SU":
            texts = [text.decode("unicode_escape") for text in np.asarray(column).astype("S")]
            table.replace_column(name, np.array(texts, dtype="U"))
        elif column.dtype.byteorder == ">":
            table.replace_column(name, np.asarray(column, dtype=column.dtype.newbyteorder("=")))
    table.meta.clear()
    return table


def read_header(path: str | Path, extname: str | int = 0) -> fits.Header:
    """Read one header of a product."""
    with fits.open(path) as hdus:
        return hdus[extname].header.copy()


def primary_hdu(cards: Sequence[tuple]) -> fits.PrimaryHDU:
    """Make a primary HDU without data."""
    return fits.PrimaryHDU(header=_header(cards))


def image_hdu(
    data: np.ndarray, name: str, cards: Sequence[tuple] = (), unit: str | None = None
) -> fits.ImageHDU:
    """Make an image HDU with its name, unit and further cards."""
    hdu = fits.ImageHDU(data, name=name)
    if unit is not None:
        hdu.header["BUNIT"] = unit
    hdu.header.extend(_header(cards))
    return hdu


def table_hdu(table: "Table", name: str) -> fits.BinTableHDU:
    r"""Make a table HDU; units and descriptions of the columns go along.

    FITS knows ASCII only: other letters become ``\xe9`` or ``\u0141``, and a backslash is doubled.
    `read_table` undoes it.
    """
    plain = table.copy()
    for column in table.colnames:
        if table[column].dtype.kind == "U":
            texts = [text.encode("unicode_escape") for text in table[column]]
            plain[column] = np.array(texts, dtype="S")
    hdu = fits.table_to_hdu(plain)
    hdu.name = name
    for number, column in enumerate(table.colnames, start=1):
        if table[column].description:
            hdu.header[f"TCOMM{number}"] = table[column].description
    return hdu


def _header(cards: Sequence[tuple]) -> fits.Header:
    """Make a header; a comment that does not fit beside its value is left away."""
    return fits.Header([_card(*card) for card in cards])


def _card(keyword: str, value, comment: str = "") -> tuple:
    width = 20
    if isinstance(value, str):
        if not (value.isascii() and value.isprintable()):
            value = value.encode("unicode_escape").decode("ascii")
        width = max(width, len(value.replace("'", "''")) + 2)
    one_line = width <= 70  # a longer text goes on in CONTINUE cards, and its comment with it
    return (keyword, value, "" if one_line and width + 3 + len(comment) > 70 else comment)


def write_product(path: str | Path, cards: Sequence[tuple], hdus: Sequence) -> None:
    """Write a product whole or not at all.

    Parameters
    ----------
    path : path-like
        Where it goes; its folder is made if it is not there.
    cards : sequence of tuple
        Cards of the primary header, ``(keyword, value, comment)``.
    hdus : sequence
        The extensions, in order.
    """
    everything = fits.HDUList([primary_hdu(cards), *hdus])
    for hdu in everything:
        hdu.add_checksum(when=CHECKSUM_COMMENT)
    write_whole(path, lambda target: _write_hdus(everything, target))


def _write_hdus(hdus: fits.HDUList, target: IO[bytes]) -> None:
    try:
        hdus.writeto(target, output_verify="exception")
    except AttributeError as error:
        # astropy stumbles when an open file cannot be written to; what it stumbled over counts.
        if isinstance(error.__context__, OSError):
            raise error.__context__ from None
        raise
