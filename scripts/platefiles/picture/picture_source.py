"""Pictures read back: their pixels, and the linear image that they were drawn from."""

import math
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image

from platefiles.core.errors import UserError
from platefiles.core.hashing import file_sha256
from platefiles.fits.header_cards import MAX_PIXELS
from platefiles.provenance.activities import Record
from platefiles.provenance.record import read_record, results_of
from platefiles.provenance.record_checks import check_record
from platefiles.provenance.xmp import Origin, read_origin
from platelib.picture.pixels import PixelArray, Pixels

PICTURES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".svg", ".webp")
"""Endings of picture files."""

FULL_SCALE = 65535
_BYTES_A_PIXEL = 2 * 3 * (2 + 1)
"""Two pictures of three colours in 16 bits, and one of 8 bits for each of them as it is decoded."""

Image.MAX_IMAGE_PIXELS = None  # `_check_size` judges, before any pixel is read


def is_picture(path: str | Path) -> bool:
    """Return whether a file has the extension of a picture."""
    return Path(path).suffix.lower() in PICTURES


class PictureFile(PixelArray):
    """The pixels of a picture file, row 0 at the bottom.

    Parameters
    ----------
    path : path-like
        PNG, JPEG or TIFF with three colours.

    Raises
    ------
    UserError
        If it cannot be read or does not have three colours.
    """

    def __init__(self, path: str | Path):
        with _reading(path):
            pixels = _decoded(Path(path))[::-1]
        _check_colours(path, pixels.shape, pixels.dtype)
        super().__init__(pixels)


def colours_of(picture: Pixels) -> "list[_Colour]":
    """Return the colours of a picture, each sliced by rows."""
    return [_Colour(picture, number) for number in range(3)]


@dataclass(frozen=True)
class _Colour:
    """A colour of a picture, which gives its rows as it is sliced."""

    picture: Pixels
    number: int

    @property
    def shape(self) -> tuple[int, int]:
        return self.picture.shape

    def __getitem__(self, rows: slice) -> np.ndarray:
        start, stop, _ = rows.indices(self.shape[0])
        return self.picture.rows(start, stop)[..., self.number]


def picture_shape(path: str | Path) -> tuple[int, int, int]:
    """Return the number of colours, rows and columns of a picture, from its header.

    Raises
    ------
    UserError
        As `PictureFile`.
    """
    with _reading(path):
        if _is_tiff(Path(path)):
            with tifffile.TiffFile(path) as pages:
                shape, dtype = pages.series[0].shape, pages.series[0].dtype
        else:
            with Image.open(path) as image:
                shape, dtype = (*image.size[::-1], 3), np.dtype(np.uint8)
        _check_size(Path(path), shape[:2])
    _check_colours(path, shape, dtype)
    return 3, shape[0], shape[1]


@contextmanager
def _reading(path: str | Path) -> Iterator[None]:
    """Turn what a decoder raises into a sentence."""
    try:
        yield
    except UserError:
        raise
    except OSError as error:
        why = error.strerror or "it is not a picture, or truncated"
        msg = f"{path}: cannot be read: {why}; name a whole picture"
        raise UserError(msg) from error
    except Exception as error:  # a decoder may raise anything for a file that is not as it claims
        msg = f"{path}: is no picture that can be read; name a whole picture"
        raise UserError(msg) from error


def _check_colours(path: str | Path, shape: tuple[int, ...], dtype: np.dtype | None) -> None:
    if dtype not in (np.uint8, np.uint16) or len(shape) != 3 or shape[2] != 3:
        msg = f"{path}: is no picture of three colours with 8 or 16 bits"
        raise UserError(msg)


def _is_tiff(path: Path) -> bool:
    return path.suffix.lower() in (".tif", ".tiff")


def _decoded(path: Path) -> np.ndarray:
    if _is_tiff(path):
        with tifffile.TiffFile(path) as pages:
            _check_size(path, pages.series[0].shape[:2])
            return np.asarray(pages.asarray())
    with Image.open(path) as image:
        _check_size(path, image.size[::-1])
        return np.asarray(image.convert("RGB"))


def _check_size(path: Path, shape: tuple[int, ...]) -> None:
    """Refuse a picture whose stated size exceeds the limit or the memory, before reading it."""
    pixels = math.prod(shape)
    needed = pixels * _BYTES_A_PIXEL
    memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    if pixels > MAX_PIXELS or needed > memory:
        size = " x ".join(map(str, shape[::-1]))
        msg = (
            f"{path}: claims {size} pixels, which would take {needed / 1e9:.0f} GB of memory; "
            "name a smaller picture, or use a larger machine"
        )
        raise UserError(msg)


def product_of(file: str | Path) -> Path:
    """Return the FITS product behind a file: itself, or the linear image of a picture.

    Raises
    ------
    UserError
        If the file is missing, or a picture has no linear image beside it.
    """
    if not Path(file).is_file():
        msg = f"{file}: there is no such file"
        raise UserError(msg)
    return linear_image_of(file) if is_picture(file) else Path(file)


def linear_image_of(path: str | Path) -> Path:
    """Return the linear image of a picture, in the results or beside the picture.

    Raises
    ------
    UserError
        If the picture does not name it, the file is missing, or the picture is an overview.
    """
    path, origin = Path(path), read_origin(path)
    if not origin.linear_image:
        msg = f"{path}: is an overview of channels and pictures; name one of those"
        raise UserError(msg)
    beside = sorted(path.absolute().parent.glob("*.fits"), key=lambda one: one.stem != path.stem)
    for one in (*_places(path, origin), *beside):
        if one.suffix == ".fits" and one.is_file() and file_sha256(one) == origin.linear_image:
            return one
    msg = (
        f"{path}: the linear image that it was drawn from (SHA-256 {origin.linear_image}) is not "
        "beside it; give the linear image itself"
    )
    raise UserError(msg)


def _places(path: Path, origin: Origin) -> list[Path]:
    """Return the paths of the input products of a picture."""
    making = origin.making
    results = results_of(path.absolute(), making.product) if making else None
    return [results / name for name in making.products] if making and results else []


def record_of(file: str | Path) -> Record:
    """Read the record of a product; for a picture, that of its linear image plus the drawing.

    Records of further inputs of a picture are included.

    Raises
    ------
    UserError
        As `product_of` and `platefiles.provenance.record.read_record`; or if an input of a picture
        is missing.
    """
    record = read_record(product_of(file))
    origin = read_origin(file) if is_picture(file) else None
    if origin is not None and origin.making is not None:
        for one in _beside(Path(file), origin):
            also = record_of(one)
            record = Record(record.makings | also.makings, record.raws | also.raws)
        drawn = {origin.drawn.product: origin.drawn} if origin.drawn else {}
        making = origin.making
        record = Record({**record.makings, **drawn, making.product: making}, record.raws)
    try:
        check_record(record)  # what a picture tells is not looked at before
    except ValueError:
        msg = f"{file}: its record is damaged; make the file again from the raw frames"
        raise UserError(msg) from None
    return record


def _beside(path: Path, origin: Origin) -> list[Path]:
    """Return the further inputs of a picture beside its linear image."""
    found = {one for one in _places(path, origin) if one.is_file()}
    result = []
    for product, digest in origin.beside.items():
        here = [one for one in found if results_of(one, product) and file_sha256(one) == digest]
        if not here:
            msg = f"{path}: was made from {product} (SHA-256 {digest}), which is not there"
            raise UserError(f"{msg}; look at it in the results, or give the linear image")
        result += here
    return result
