"""Pictures read back: their pixels, and the linear cube that they were drawn from."""

import json
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image, UnidentifiedImageError

from platefiles.errors import UserError
from platefiles.makings import TEXT, Making, Record
from platefiles.provenance import file_sha256
from platefiles.record import read_record
from platefiles.xmp import read_origin

PICTURES = (".png", ".jpg", ".jpeg", ".tif", ".tiff")
"""Endings of picture files."""

_DEPTH = {"u1": 255.0, "u2": 65535.0}


def is_picture(path: str | Path) -> bool:
    """Whether a file's name ends as that of a picture."""
    return Path(path).suffix.lower() in PICTURES


def read_picture(path: str | Path) -> np.ndarray:
    """Read a picture.

    Returns
    -------
    numpy.ndarray
        ``(3, ny, nx)`` float64, display values from 0 to 1, row 0 at the bottom.

    Raises
    ------
    UserError
        If it cannot be read, or is none of three colours.
    """
    try:
        if Path(path).suffix.lower() in (".tif", ".tiff"):
            pixels = np.asarray(tifffile.imread(path))
        else:
            with Image.open(path) as image:
                pixels = np.asarray(image.convert("RGB"))
    except (ValueError, UnidentifiedImageError, tifffile.TiffFileError) as error:
        msg = f"{path}: is no picture that can be read"
        raise UserError(msg) from error
    depth = _DEPTH.get(pixels.dtype.str[1:])
    if depth is None or pixels.ndim != 3 or pixels.shape[2] != 3:
        msg = f"{path}: is no picture of three colours with 8 or 16 bits"
        raise UserError(msg)
    return np.moveaxis(pixels[::-1], -1, 0) / depth


def product_of(file: str | Path) -> Path:
    """Return the FITS product behind a file: itself, or the linear cube of a picture.

    Raises
    ------
    UserError
        If there is no such file, or no cube beside a picture.
    """
    if not Path(file).is_file():
        msg = f"{file}: there is no such file"
        raise UserError(msg)
    return cube_of(file) if is_picture(file) else Path(file)


def cube_of(path: str | Path) -> Path:
    """Find the linear cube of a picture among the FITS files beside it.

    Raises
    ------
    UserError
        If the picture does not tell it, or it is not there, or the picture is an overview.
    """
    path, digest = Path(path), read_origin(path).cube
    if not digest:
        msg = f"{path}: is an overview of channels and pictures; name one of those"
        raise UserError(msg)
    beside = sorted(path.absolute().parent.glob("*.fits"), key=lambda one: one.stem != path.stem)
    for one in beside:
        if file_sha256(one) == digest:
            return one
    msg = (
        f"{path}: the linear cube that it was drawn from (SHA-256 {digest}) is not beside it; "
        "give the cube itself"
    )
    raise UserError(msg)


def record_of(file: str | Path) -> Record:
    """Read the record of a product, or that of a picture: its cube's, and the job that drew it.

    Raises
    ------
    UserError
        As `product_of` and `platefiles.record.read_record`.
    """
    record = read_record(product_of(file))
    making = read_origin(file).making if is_picture(file) else None
    if making is not None:
        record = Record({**record.makings, making.product: making}, record.raws)
    if not all(_is_whole(one, record) for one in record.makings.values()):
        msg = f"{file}: its record is damaged; make the file again from the raw frames"
        raise UserError(msg)
    return record


def _is_whole(making: Making, record: Record) -> bool:
    """Whether a record holds all that a making names; a file may be anybody's."""
    job = json.loads(making.job)
    named = [name for names in making.inputs.values() for name in names]
    texts = [name.removeprefix(TEXT) for name in named if name.startswith(TEXT)]
    return (
        isinstance(job, dict)
        and isinstance(job.get("settings"), dict)
        and isinstance(job.get("subs", []), list)
        and making.texts.keys() >= set(texts)
        and record.makings.keys() >= set(making.products)
        and record.raws.keys() >= set(making.raws)
    )
