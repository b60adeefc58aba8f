"""The display image of a picture: its 16-bit display values before they are encoded in files.

A FITS cube of the planes red, green and blue, row 0 at the bottom, is read and written in strips.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from platefiles.fits.image_rows import ImageRows
from platefiles.fits.products_io import read_header
from platefiles.fits.tables import read_columns

DRAWING = "DRAWING"
"""Table of one row: how it was drawn."""


class DisplayImage:
    """A display image to be read in strips.

    Parameters
    ----------
    path : path-like
        Product of the step `draw_picture`.

    Attributes
    ----------
    shape : tuple of int
        ``(ny, nx)``.
    header : mapping
        Of its image.
    method : str
        From linear light to display values, with constants.
    colours : int
        Planes of the linear image, luminance apart: 1 for a grey picture.
    source : str
        SHA-256 of the file of the linear image.
    """

    def __init__(self, path: str | Path):
        self._rows = ImageRows.of(path)
        self.shape: tuple[int, int] = self._rows.shape[1:]
        self.header: Mapping[str, Any] = read_header(path, "SCI")
        drawing = read_columns(path, DRAWING)
        self.method, self.colours = str(drawing["method"][0]), int(drawing["colours"][0])
        self.source = str(drawing["linear_sha256"][0])

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Return ``(stop - start, nx, 3)`` uint16 sRGB display values, row 0 at the bottom."""
        return np.ascontiguousarray(np.moveaxis(self._rows(start, stop), 0, -1))
