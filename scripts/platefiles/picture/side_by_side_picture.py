"""Two images and their difference in one labelled PNG."""

from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from platefiles.core.atomic_write import write_whole
from platelib.picture.side_by_side import Panels

_GAP, _TEXT, _BAND = 8, 16, 30
_PAPER, _INK = (24, 24, 24), (230, 230, 230)
_SMALLEST = 280
"""Panels are not shown narrower: their labels would not fit."""


def write_side_by_side(path: str | Path, panels: Panels, labels: tuple[str, str, str]) -> None:
    """Write first, second and difference as a PNG that ends with ``.png``; see `side_by_side`."""
    sheet = side_by_side(panels, labels)
    write_whole(path, lambda target: sheet.save(target, format="PNG"))


def side_by_side(panels: Panels, labels: tuple[str, str, str]) -> Image.Image:
    """Draw first, second and difference, each below its label.

    Parameters
    ----------
    panels : Panels
    labels : tuple of str
        Truncated to the width of their panel.
    """
    pictures = [_image(one) for one in (panels.first, panels.second, panels.difference)]
    width, height = pictures[0].size
    sheet = Image.new("RGB", (3 * width + 4 * _GAP, height + _BAND + _GAP), _PAPER)
    draw, font = ImageDraw.Draw(sheet), ImageFont.load_default(_TEXT)
    for number, (picture, label) in enumerate(zip(pictures, labels, strict=True)):
        left = _GAP + number * (width + _GAP)
        sheet.paste(picture, (left, _BAND))
        draw.text((left, _BAND // 2), _cut(label, font, width), _INK, font, anchor="lm")
    return sheet


def _image(panel: np.ndarray) -> Image.Image:
    image = Image.fromarray(np.rint(panel[::-1] * 255).astype(np.uint8))
    scale = -(-_SMALLEST // image.width)
    return image.resize((image.width * scale, image.height * scale), Image.Resampling.NEAREST)


def _cut(label: str, font: ImageFont.FreeTypeFont | ImageFont.ImageFont, width: int) -> str:
    """Remove the middle of a label that is too long: names differ at both ends."""
    text, keep = label, len(label)
    while font.getlength(text) > width and keep > 4:
        keep -= 1
        text = f"{label[: keep // 2]}…{label[-(keep - keep // 2) :]}"
    return text
