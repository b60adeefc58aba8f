"""Draw labelled panels on one sheet."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from platefiles.picture.picture_files import of_8_bits

_GAP, _TEXT, _BAND = 10, 15, 46
_PAPER, _INK, _PALE = (24, 24, 24), (235, 235, 235), (160, 160, 160)
_MOST_ACROSS = 4


@dataclass(frozen=True)
class Panel:
    """One panel of a sheet.

    Attributes
    ----------
    display : numpy.ndarray
        ``(ny, nx)`` or ``(3, ny, nx)`` display values from 0 to 1, row 0 at the bottom.
    title, remark : str
        Subject and details, one line each.
    """

    display: np.ndarray
    title: str
    remark: str


def draw_sheet(panels: Sequence[Panel]) -> np.ndarray:
    """Arrange panels in rows, each below its two lines of text.

    Parameters
    ----------
    panels : sequence of Panel
        At least one.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx, 3)`` uint16 sRGB display values, row 0 at the bottom.
    """
    images = [_image(panel.display) for panel in panels]
    down = -(-len(panels) // _MOST_ACROSS)
    across = -(-len(panels) // down)
    width, height = max(one.width for one in images), max(one.height for one in images)
    cell = width + _GAP, height + _BAND
    sheet = Image.new("RGB", (across * cell[0] + _GAP, down * cell[1] + _GAP), _PAPER)
    draw, font = ImageDraw.Draw(sheet), ImageFont.load_default(_TEXT)
    for number, (panel, image) in enumerate(zip(panels, images, strict=True)):
        left, top = _GAP + number % across * cell[0], number // across * cell[1]
        draw.text((left, top + 14), _cut(panel.title, font, width), _INK, font, anchor="lm")
        draw.text((left, top + 33), _cut(panel.remark, font, width), _PALE, font, anchor="lm")
        sheet.paste(image, (left, top + _BAND))
    return of_8_bits(np.asarray(sheet))


def _image(display: np.ndarray) -> Image.Image:
    planes = display if display.ndim == 3 else np.broadcast_to(display, (3, *display.shape))
    levels = np.rint(np.clip(np.moveaxis(planes, 0, -1)[::-1], 0, 1) * 255)
    return Image.fromarray(np.ascontiguousarray(levels.astype(np.uint8)))


def _cut(label: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont, width: int) -> str:
    text, keep = label, len(label)
    while font.getlength(text) > width and keep > 1:
        keep -= 1
        text = f"{label[:keep]}…"
    return text
