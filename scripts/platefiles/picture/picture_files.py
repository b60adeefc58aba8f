"""Picture files: PNG, JPEG and 16-bit TIFF, whole or not at all, the same bytes every time.

All are RGB with the sRGB profile embedded, grey pictures too, so that every viewer shows them
alike. Row 0 of an image is the bottom of the picture, as in FITS.
"""

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import BinaryIO

import numpy as np
import tifffile
from PIL import Image, ImageCms, PngImagePlugin

from platefiles.core.atomic_write import write_whole
from platefiles.picture.png_file import write_png
from platefiles.provenance.activities import Making
from platefiles.provenance.content_digest import seal_file, sealed
from platefiles.provenance.xmp import packet
from platelib.picture.pixels import PixelArray, Pixels
from platelib.picture.png_filter import to_8_bits

JPEG_QUALITY = 92
_EXIF_DESCRIPTION, _EXIF_SOFTWARE = 0x010E, 0x0131
_XMP_TAG, _TIFF_BYTE = 700, 1
_ROWS = 256
_PROFILE_DATE = slice(24, 36)
_PROFILE_DATE_BYTES = b"".join(part.to_bytes(2, "big") for part in (2000, 1, 1, 0, 0, 0))


@dataclass(frozen=True)
class Label:
    """The metadata of a picture.

    Attributes
    ----------
    title : str
        Title of the picture.
    digest : str
        Digest of the linear image.
    method : str
        Method from linear light to display values, with its constants.
    software : str
        Name and version of the software.
    record : str
        Id of the record in the linear image.
    making : Making, optional
        The job that drew it.
    avm : str
        Elements from `platefiles.picture.avm.avm_elements`.
    beside : mapping of str to str
        SHA-256 of the file of each further input product.
    drawn : Making, optional
        The job that drew the display image.
    grid : str
        Place on the grid, see `platefiles.fits.grid_place.GridPlace.text`; empty if unknown.
    """

    title: str
    digest: str
    method: str
    software: str
    record: str = ""
    making: Making | None = None
    avm: str = ""
    beside: Mapping[str, str] = field(default_factory=dict)
    drawn: Making | None = None
    grid: str = ""

    @property
    def comment(self) -> str:
        """Source and method in words; an overview names no single source."""
        if not self.digest:
            return self.method
        return f"made from the linear image {self.digest} by {self.method}"

    def packet(self, ending: str) -> bytes:
        """Return the XMP packet of a picture."""
        facts = {"title": self.title, "source": self.digest, "software": self.software}
        told = (self.record, self.making, self.avm, self.beside, self.drawn, self.grid)
        return packet(ending, facts, *told)


@cache
def srgb_profile() -> bytes:
    """Return an ICC profile of sRGB; its creation date is fixed, so its bytes are too."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[_PROFILE_DATE] = _PROFILE_DATE_BYTES
    return bytes(profile)


def write_picture(
    path: str | Path,
    pixels: np.ndarray | Pixels,
    label: Label,
    jpeg_quality: int = JPEG_QUALITY,
    threads: int = 1,
) -> None:
    """Write a picture in the format of its extension.

    Parameters
    ----------
    path : path-like
        Ends with ``.png`` or ``.jpg`` (8 bits a colour) or ``.tif`` (16 bits a colour, not
        compressed: their noise leaves next to nothing to compress).
    pixels : numpy.ndarray or Pixels
        ``(ny, nx, 3)`` uint16 sRGB display values, row 0 at the bottom.
    label : Label
    jpeg_quality : int
        From 1 to 100; colours are stored at full resolution.
    threads : int
        Strips of a PNG compressed at a time; it changes no bit.

    Raises
    ------
    ValueError
        If the extension is unknown or the pixels have another type or shape.
    """
    if isinstance(pixels, np.ndarray):
        if pixels.dtype != np.uint16 or pixels.ndim != 3 or pixels.shape[2] != 3:
            msg = f"pixels must be (ny, nx, 3) uint16, not {pixels.shape} {pixels.dtype}"
            raise ValueError(msg)
        pixels = PixelArray(pixels)
    suffix = Path(path).suffix
    if suffix not in _WRITERS:
        msg = f"'{path}' ends with '{suffix}': known are {', '.join(_WRITERS)}"
        raise ValueError(msg)

    def write(target: BinaryIO) -> None:
        _WRITERS[suffix](target, pixels, label, jpeg_quality, threads)
        seal_file(target)

    write_whole(path, write)


def of_8_bits(sheet: np.ndarray) -> np.ndarray:
    """Convert an 8-bit image with row 0 at the top to the input of `write_picture`."""
    return sheet[::-1].astype(np.uint16) * 257


def write_svg(path: str | Path, content: bytes, label: Label) -> None:
    """Write a drawing with its metadata in the SVG element ``metadata``.

    Parameters
    ----------
    path : path-like
    content : bytes
        A whole SVG document.
    label : Label
    """
    drawn, end, _ = content.rpartition(b"</svg>")
    told = b"<metadata>" + label.packet("svg") + b"</metadata>\n"
    whole = sealed(drawn + told + end + b"\n")
    write_whole(path, lambda target: target.write(whole))


def lines_of(path: str | Path) -> bytes:
    """Return the content of an SVG of `write_svg` without its metadata."""
    lines, told, rest = Path(path).read_bytes().rpartition(b"<metadata>")
    return lines if told else rest


def _png(target: BinaryIO, pixels: Pixels, label: Label, _quality: int, threads: int) -> None:
    text = PngImagePlugin.PngInfo()
    text.add_itxt("Title", label.title)
    text.add_itxt("Comment", label.comment)
    text.add_itxt("Software", label.software)
    text.add_itxt("XML:com.adobe.xmp", label.packet("png"))
    write_png(target, pixels, text, srgb_profile(), threads)


def _jpeg(target: BinaryIO, pixels: Pixels, label: Label, quality: int, _threads: int) -> None:
    exif = Image.Exif()
    exif[_EXIF_DESCRIPTION] = label.title.encode()
    exif[_EXIF_SOFTWARE] = label.software.encode()
    ny, nx = pixels.shape
    upright = np.empty((ny, nx, 3), dtype=np.uint8)
    for start in range(0, ny, _ROWS):
        stop = min(start + _ROWS, ny)
        rows = to_8_bits(pixels.rows(start, stop))
        upright[ny - stop : ny - start] = rows[::-1]
    Image.fromarray(upright).save(
        target,
        format="JPEG",
        quality=quality,
        subsampling=0,
        icc_profile=srgb_profile(),
        exif=exif,
        comment=label.comment.encode(),
        xmp=label.packet("jpg"),
    )


def _tiff(target: BinaryIO, pixels: Pixels, label: Label, _quality: int, _threads: int) -> None:
    xmp, (ny, nx) = label.packet("tif"), pixels.shape
    place = tifffile.imwrite(
        target,
        shape=(ny, nx, 3),
        dtype=np.uint16,
        photometric="rgb",
        iccprofile=srgb_profile(),
        description=f"{label.title}; {label.comment}".encode(),
        software=label.software.encode(),
        metadata=None,
        extratags=[(_XMP_TAG, _TIFF_BYTE, len(xmp), xmp, True)],
        returnoffset=True,
    )
    target.flush()
    first = 0 if place is None else place[0]
    for start in range(0, ny, _ROWS):
        stop = min(start + _ROWS, ny)
        rows = np.ascontiguousarray(pixels.rows(ny - stop, ny - start)[::-1], dtype="<u2")
        target.seek(first + start * nx * rows.itemsize * 3)
        target.write(rows.tobytes())
    target.seek(0, os.SEEK_END)


_WRITERS: dict[str, Callable[[BinaryIO, Pixels, Label, int, int], None]] = {
    ".png": _png,
    ".jpg": _jpeg,
    ".tif": _tiff,
}
