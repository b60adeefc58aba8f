"""Tables of products as plain columns.

Astropy's ``Table`` is not needed to read and write them, and takes a tenth of a second to import.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits

from platefiles.fits.checked_read import check_product
from platefiles.fits.column_units import is_standard, unit_of

_NUMBERS = "iuf"


def columns_hdu(
    columns: Mapping[str, Any],
    name: str,
    descriptions: Mapping[str, str] | None = None,
    of_image: str = "",
) -> fits.BinTableHDU:
    r"""Return a table HDU of columns.

    Parameters
    ----------
    columns : mapping of str to array_like
        Of one length; strings become ASCII as in `platefiles.fits.products_io.table_hdu`.
    name : str
        Name of the HDU.
    descriptions : mapping of str to str, optional
        Description of a column, written to ``TCOMM``.
    of_image : str
        Unit of the image of the table, for fluxes and levels. Units of other columns follow from
        their names (`platefiles.fits.column_units`). Readers warn of a ``TUNIT`` that the FITS
        standard does not know, such as electron: it stands in brackets in ``TCOMM``.
    """
    arrays = {key: _encoded(np.asarray(column)) for key, column in columns.items()}
    rows = np.empty(
        len(next(iter(arrays.values()))),
        dtype=[(key, array.dtype, array.shape[1:]) for key, array in arrays.items()],
    )
    for key, array in arrays.items():
        rows[key] = array
    hdu = fits.BinTableHDU(name=name)
    hdu.data = fits.FITS_rec.from_columns(rows)  # handed to the constructor, it imports Table
    for number, key in enumerate(arrays, start=1):
        unit = unit_of(key, of_image)
        comment = (descriptions or {}).get(key, "")
        if unit and arrays[key].dtype.kind in _NUMBERS:
            if is_standard(unit):
                hdu.columns.change_unit(key, unit)
            else:
                comment = f"[{unit}] {comment}".rstrip()
        if comment:
            hdu.header[f"TCOMM{number}"] = comment
    return hdu


def read_columns(path: str | Path, extname: str) -> dict[str, np.ndarray]:
    """Read the columns of a table, native byte order, texts as str."""
    check_product(path, extname)
    with fits.open(path, memmap=False) as hdus:
        data = hdus[extname].data
        return {name: _decoded(np.asarray(data[name])) for name in data.dtype.names}


def rows_of(columns: Mapping[str, np.ndarray]) -> list[dict[str, Any]]:
    """Return the rows of columns as dictionaries of plain Python values; vectors stay arrays."""
    values = [list(c) if c.ndim > 1 else c.tolist() for c in columns.values()]
    return [dict(zip(columns, row, strict=True)) for row in zip(*values, strict=True)]


def _encoded(column: np.ndarray) -> np.ndarray:
    if column.dtype.kind != "U":
        return column
    texts = column.tolist()
    known = {text: text.encode("unicode_escape") for text in set(texts)}
    width = max([1, *(len(text) for text in known.values())])
    return np.array([known[text] for text in texts], dtype=f"S{width}")


def _decoded(column: np.ndarray) -> np.ndarray:
    if column.dtype.kind in "SU":
        texts = column.astype("S").tolist()
        known = {text: text.decode("unicode_escape") for text in set(texts)}
        return np.array([known[text] for text in texts], dtype="U")
    return np.ascontiguousarray(column, dtype=column.dtype.newbyteorder("="))
