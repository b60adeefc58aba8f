"""Lay two versions of an image over each other by their place on the grid."""

import json
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.core.errors import UserError
from platefiles.fits.grid_place import GridPlace
from platefiles.fits.hdu_layout import BrokenFits, read_blocks
from platefiles.fits.products_io import read_header
from platefiles.picture.picture_source import is_picture, picture_shape
from platefiles.provenance.activities import Record
from platefiles.provenance.xmp import read_origin
from platelib.picture.image_difference import Overlap, overlap

_WHOLE_PX = 0.01
_SAME_SCALE = 1e-9
_ANOTHER_WAY = "A and B are turned or scaled differently on the grid"


@dataclass(frozen=True)
class Laid:
    """Two images laid over each other.

    Attributes
    ----------
    common : Overlap
    note : str
        A doubt about their places, as a sentence; empty if there is none.
    """

    common: Overlap
    note: str = ""


def lay_over(files: tuple[Path, Path], records: Sequence[Record | None]) -> Laid:
    """Return the common area of two versions of a picture, linear image or channel.

    Parameters
    ----------
    files : tuple of Path
        Both pictures, or both FITS files with an image ``SCI``.
    records : sequence of Record or None
        How each was made, if known.

    Raises
    ------
    UserError
        If they have different numbers of planes; or if their sizes differ and their places on one
        grid are unknown or not comparable.
    """
    shapes = [image_shape(file) for file in files]
    sizes = " and ".join(" x ".join(map(str, reversed(shape))) for shape in shapes)
    if shapes[0][:-2] != shapes[1][:-2]:
        msg = (
            f"{files[0]} and {files[1]} cannot be compared: they have {sizes} pixels; name two "
            "versions of one product"
        )
        raise UserError(msg)
    (first, second), same = ((shape[-2], shape[-1]) for shape in shapes), shapes[0] == shapes[1]
    grids = [pinned_grid(record) for record in records]
    places = [_place(file, grid) for file, grid in zip(files, grids, strict=True)]
    if None not in grids and grids[0] != grids[1]:
        note = f"A lies on the grid of {_words(grids[0])}, B on that of {_words(grids[1])}"
    elif places[0] is None or places[1] is None:
        note = ""
    else:
        offset = offset_of(places[0], places[1])
        if offset is not None:
            common = overlap(first, second, offset)
            if common is not None:
                return Laid(common)
            msg = f"{files[0]} and {files[1]} have no common area on the grid"
            raise UserError(msg)
        note = _ANOTHER_WAY
    common = overlap(first, second) if same else None
    if common is not None:
        return Laid(common, f"{note}; pixels are compared as they lie in the files" if note else "")
    msg = (
        f"{files[0]} and {files[1]} cannot be compared pixel by pixel: they have {sizes} pixels, "
        f"and {note or 'their places on one grid are unknown'}; name versions of one project with "
        "one lock file, in full size"
    )
    raise UserError(msg)


def offset_of(first: GridPlace, second: GridPlace) -> tuple[int, int] | None:
    """Return what x and y of a place are larger in the second image.

    Returns
    -------
    tuple of int or None
        None if one image is turned or scaled against the other, or shifted by part of a pixel.
    """
    if not np.allclose(first.matrix, second.matrix, rtol=0, atol=_SAME_SCALE):
        return None
    shift = np.subtract(second.shift, first.shift)
    whole = np.rint(shift)
    if np.abs(shift - whole).max() > _WHOLE_PX:
        return None
    return int(whole[0]), int(whole[1])


def image_shape(file: Path) -> tuple[int, ...]:
    """Return the shape of a picture or of the image ``SCI`` of a FITS file.

    Raises
    ------
    UserError
        If the file is truncated or holds no such image.
    """
    if is_picture(file):
        return picture_shape(file)
    try:
        read_blocks(file)  # report a truncated file before its data are read
        header = read_header(file, "SCI")
        shape = tuple(int(header[f"NAXIS{axis}"]) for axis in range(header["NAXIS"], 0, -1))
        if len(shape) in (2, 3):
            return shape
    except BrokenFits as error:
        msg = f"{file}: {error}; name a whole FITS file"
        raise UserError(msg) from error
    except (KeyError, ValueError, TypeError, OSError) as error:
        msg = f"{file}: holds no image of a picture or a channel (no SCI)"
        raise UserError(msg) from error
    msg = f"{file}: holds no image of a picture or a channel (SCI has {len(shape)} axes)"
    raise UserError(msg)


def pinned_grid(record: Record | None) -> tuple[Any, ...] | None:
    """Return reference sub, width and height of the grid of a product; None if unknown."""
    for making in record.makings.values() if record is not None else ():
        with suppress(ValueError, KeyError, TypeError):
            reference, width, height = json.loads(making.job)["pins"]["grid"]
            return reference, width, height
    return None


def _place(file: Path, grid: tuple[Any, ...] | None) -> GridPlace | None:
    """Return the place of an image on its grid; None if unknown."""
    if is_picture(file):
        with suppress(UserError, ValueError, TypeError, AttributeError):
            return GridPlace.read(read_origin(file).grid)
        return None
    header = read_header(file, "SCI")
    found = GridPlace.of(header)
    is_grid = grid is not None and (header["NAXIS1"], header["NAXIS2"]) == grid[1:]
    return GridPlace() if found is None and is_grid else found


def _words(grid: tuple[Any, ...] | None) -> str:
    return "" if grid is None else f"{grid[0]} ({grid[1]} x {grid[2]} pixels)"
