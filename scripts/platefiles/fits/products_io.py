"""Products: the one module that writes FITS, and reads back what it wrote.

A product is written to a temporary name beside its place, flushed to the disk and renamed: it
either is whole or is not there. Checksums carry no wall-clock time, so equal data give equal bytes.
Raw frames are read by :mod:`platefiles.raw_frames.raw_frame`.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import numpy as np
from astropy.io import fits

from platefiles.core.atomic_write import write_whole
from platefiles.fits.checked_read import check_product
from platefiles.fits.checksums import add_sums, reserve
from platefiles.fits.column_units import is_standard, unit_of
from platefiles.fits.product_cards import card

if TYPE_CHECKING:
    from astropy.table import Table

DTYPES = {8: "u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}
"""numpy types of BITPIX."""


def read_image(path: str | Path, extname: str = "SCI") -> tuple[np.ndarray, fits.Header]:
    """Read an image of a product.

    Returns
    -------
    image : numpy.ndarray
        Native byte order; float images as float32.
    header : astropy.io.fits.Header
    """
    check_product(path, extname)
    with fits.open(path, memmap=False) as hdus:
        data, header = hdus[extname].data, hdus[extname].header.copy()
    if data.dtype == DTYPES[-32] and data.flags.writeable and data.flags.c_contiguous:
        return data.byteswap(inplace=True).view(np.float32), header  # no second array
    dtype = np.float32 if data.dtype.kind == "f" else data.dtype.newbyteorder("=")
    return np.ascontiguousarray(data, dtype=dtype), header


def map_image(path: str | Path, extname: str = "SCI") -> np.ndarray:
    """Map an image of a product, read-only, in the byte order of the file.

    Returns
    -------
    numpy.ndarray
        Memory-mapped: pages are read on access and released when memory is short.
    """
    check_product(path, extname)
    with fits.open(path, memmap=True) as hdus:
        hdu = hdus[extname]
        place, shape = hdu.fileinfo()["datLoc"], hdu.shape
        dtype = np.dtype(DTYPES[int(hdu.header["BITPIX"])])
    return np.asarray(np.memmap(path, dtype=dtype, mode="r", offset=place, shape=shape))


def has_image(path: str | Path, extname: str) -> bool:
    """Return whether a product has the named HDU."""
    check_product(path)
    with fits.open(path) as hdus:
        return extname in hdus


def read_table(path: str | Path, extname: str) -> "Table":
    """Read a table of a product, strings as str."""
    from astropy.table import Table  # slow to import

    check_product(path, extname)
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
    check_product(path)
    with fits.open(path) as hdus:
        return hdus[extname].header.copy()


def primary_hdu(cards: Sequence[tuple]) -> fits.PrimaryHDU:
    """Return a primary HDU without data.

    It contains EXTEND from the beginning: astropy adds that card when it reads a file with
    extensions, and a rewritten header must not be longer than before.
    """
    hdu = fits.PrimaryHDU(header=_header(cards))
    hdu.header.set("EXTEND", True, after="NAXIS")
    return hdu


def image_hdu(
    data: np.ndarray, name: str, cards: Sequence[tuple] = (), unit: str | None = None
) -> fits.ImageHDU:
    """Return an image HDU with its name, unit and further cards."""
    hdu = fits.ImageHDU(data, name=name)
    if unit is not None:
        hdu.header.extend(_header([("BUNIT", unit)]))
    hdu.header.extend(_header(cards))
    return hdu


def table_hdu(table: "Table", name: str) -> fits.BinTableHDU:
    r"""Return a table HDU; descriptions and units of columns default to those of their names.

    FITS is limited to ASCII: other letters become ``\xe9`` or ``\u0141``, and a backslash is
    doubled. `read_table` undoes it.
    """
    plain = table.copy()
    for column in table.colnames:
        unit = unit_of(column)
        plain[column].unit = table[column].unit or (unit if is_standard(unit) else "") or None
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
    return fits.Header([card(*one) for one in cards])


def write_product(path: str | Path, cards: Sequence[tuple], hdus: Sequence) -> None:
    """Write a product whole or not at all.

    Parameters
    ----------
    path : path-like
        Path of the product; its folder is made if needed.
    cards : sequence of tuple
        Cards of the primary header, ``(keyword, value)`` with a keyword of ``keywords.tsv``.
    hdus : sequence
        The extensions, in order.
    """
    everything = fits.HDUList([primary_hdu(cards), *hdus])
    for hdu in everything:
        reserve(hdu.header)

    def write(target: BinaryIO) -> None:
        _write_hdus(everything, target)
        add_sums(target)

    write_whole(path, write)


def _write_hdus(hdus: fits.HDUList, target: BinaryIO) -> None:
    try:
        hdus.writeto(target, output_verify="exception")
    except (AttributeError, OSError) as error:
        # astropy stumbles when an open file cannot be written to; what it stumbled over counts.
        cause: BaseException | None = error
        while cause is not None and getattr(cause, "errno", None) is None:
            cause = cause.__context__
        raise cause or error from None
