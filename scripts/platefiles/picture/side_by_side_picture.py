"""Three pictures of one size side by side, each below its label."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from platefiles.core.atomic_write import write_whole
from platelib.picture.pixels import Pixels
from platelib.picture.side_by_side import Panels

_GAP, _TEXT, _BAND = 8, 16, 30
_PAPER, _INK = (24, 24, 24), (230, 230, 230)
_SMALLEST = 280
"""Panels are not shown narrower: their labels would not fit."""


def write_side_by_side(path: str | Path, panels: Panels, labels: Sequence[str]) -> None:
    """Write first, second and difference as a PNG that ends with ``.png``; see `Sheet`."""
    sheet = Sheet([_Panel(one) for one in (panels.first, panels.second, panels.difference)], labels)
    image = Image.fromarray((sheet.rows(0, sheet.shape[0])[::-1] // 257).astype(np.uint8))
    write_whole(path, lambda target: image.save(target, format="PNG"))


@dataclass(frozen=True)
class _Panel:
    """Display values ``(ny, nx, 3)`` float64 from 0 to 1, in 8 bits."""

    display: np.ndarray

    @property
    def shape(self) -> tuple[int, int]:
        ny, nx = self.display.shape[:2]
        return ny, nx

    def rows(self, start: int, stop: int) -> np.ndarray:
        return np.rint(self.display[start:stop] * 255).astype(np.uint16) * np.uint16(257)


class Sheet:
    """Pictures side by side, drawn by rows as they are read, row 0 at the bottom.

    Parameters
    ----------
    pictures : sequence of Pixels
        Of one size.
    labels : sequence of str
        Of the pictures; truncated to their width.

    Attributes
    ----------
    shape : tuple of int
        ``(ny, nx)``.
    """

    def __init__(self, pictures: Sequence[Pixels], labels: Sequence[str]):
        ny, nx = pictures[0].shape
        self._pictures, self._scale = pictures, -(-_SMALLEST // nx)
        height, self._width = ny * self._scale, nx * self._scale
        across = len(pictures) * (self._width + _GAP) + _GAP
        self.shape: tuple[int, int] = (height + _BAND + _GAP, across)
        band = Image.new("RGB", (across, _BAND), _PAPER)
        draw, font = ImageDraw.Draw(band), ImageFont.load_default(_TEXT)
        for left, label in zip(self._lefts(), labels, strict=True):
            text = _cut(label, font, self._width)
            draw.text((left, _BAND // 2), text, _INK, font, anchor="lm")
        self._band = np.asarray(band)[::-1] * np.uint16(257)

    def _lefts(self) -> list[int]:
        """Return the first column of each picture."""
        return [_GAP + k * (self._width + _GAP) for k in range(len(self._pictures))]

    def rows(self, start: int, stop: int) -> np.ndarray:
        """Return ``(stop - start, nx, 3)`` uint16 display values."""
        top = self.shape[0] - _BAND
        rows = np.full((stop - start, self.shape[1], 3), _PAPER, dtype=np.uint16)
        rows *= np.uint16(257)
        rows[max(top - start, 0) :] = self._band[max(start - top, 0) : max(stop - top, 0)]
        first, last = max(start, _GAP) - _GAP, min(stop, top) - _GAP
        if first < last:
            place = slice(first + _GAP - start, last + _GAP - start)
            for left, picture in zip(self._lefts(), self._pictures, strict=True):
                rows[place, left : left + self._width] = self._enlarged(picture, first, last)
        return rows

    def _enlarged(self, picture: Pixels, first: int, last: int) -> np.ndarray:
        scale = self._scale
        if scale == 1:
            return picture.rows(first, last)
        start = first // scale
        found = picture.rows(start, -(-last // scale)).repeat(scale, axis=0).repeat(scale, axis=1)
        return found[first - start * scale : last - start * scale]


def _cut(label: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont, width: int) -> str:
    """Remove the middle of a label that is too long: names differ at both ends."""
    text, keep = label, len(label)
    while font.getlength(text) > width and keep > 4:
        keep -= 1
        text = f"{label[: keep // 2]}…{label[-(keep - keep // 2) :]}"
    return text
