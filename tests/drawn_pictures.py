"""Display images, and picture files of a linear image by the two steps that make them."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from draw_picture import Part, draw_picture
from encode_picture import encode_picture

from platefiles.core.hashing import file_sha256
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.fits.tables import columns_hdu
from platefiles.picture.display_image import DRAWING, DisplayImage
from platefiles.settings.picture import Finish, Stretch
from platelib.picture.render import Picture


def draw_files(
    linear_image: Path,
    pictures: Sequence[Path],
    stretch: Stretch,
    title: str,
    finish: Finish | None = None,
    crop: str = "common",
    shown: Part | None = None,
) -> Picture:
    """Draw a linear image and encode it; return what was drawn."""
    place = pictures[0].with_suffix(".display.fits")
    rendering = draw_picture(linear_image, place, stretch, finish=finish, crop=crop, shown=shown)
    for path in pictures:
        encode_picture(place, linear_image, path, {"title": title})
    display = DisplayImage(place)
    return Picture(**vars(rendering), pixels=display.rows(0, display.shape[0]))


def write_display(
    path: Path,
    pixels: np.ndarray,
    place: Sequence[tuple] = (),
    hdus: Sequence[Any] = (),
    linear_image: Path | None = None,
) -> Path:
    """Write display values ``(ny, nx, 3)`` uint16 as a display image, with world coordinates."""
    source = "0" * 64 if linear_image is None else file_sha256(linear_image)
    image = image_hdu(np.moveaxis(pixels, -1, 0).copy(), "SCI", place)
    drawing = columns_hdu({"method": ["none"], "colours": [3], "linear_sha256": [source]}, DRAWING)
    write_product(path, [], [image, drawing, *hdus])
    return path
