"""Frames with their time, directions and scale below, as 8-bit grey images.

Nothing is drawn over the sky: a mark might hide what moves.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from platefiles.blink.frames_product import DrawnFrames, SkyPlace
from platefiles.core.safe_names import printable
from platelib.picture.graticule import scale_bar

_BAND_PX, _NARROWEST_PX, _GAP = 44, 340, 8
_PAPER, _INK, _PALE = 24, 235, 160
_BAR_SHARE = 0.22
_ARROW_PX, _LETTER_PX = 11, 6


@dataclass(frozen=True)
class FrameDrawing:
    """Draws frames of a channel.

    Attributes
    ----------
    shown : DrawnFrames
    title : str
        What the frames show, such as the name of the target and the channel.
    """

    shown: DrawnFrames
    title: str

    def __len__(self) -> int:
        """Return the number of frames."""
        return len(self.shown.facts)

    def __call__(self, number: int) -> np.ndarray:
        """Draw a frame.

        Parameters
        ----------
        number : int
            From 0.

        Returns
        -------
        numpy.ndarray
            ``(ny, nx)`` uint8 display values, row 0 at the top.
        """
        display = np.asarray(self.shown.images[number])[::-1]
        ny, nx = display.shape
        width = max(nx, _NARROWEST_PX)
        sheet = Image.new("L", (width, ny + _BAND_PX), _PAPER)
        sheet.paste(Image.fromarray(np.ascontiguousarray(display)), ((width - nx) // 2, 0))
        draw = ImageDraw.Draw(sheet)
        room = width - _GAP - self._draw_directions(draw, width, ny) - 2 * _GAP
        lines = (self._time(number), 15, _INK), (self._about(number), 12, _PALE)
        for (text, size, ink), down in zip(lines, (13, 32), strict=True):
            shown = _cut(text, size, room)
            draw.text((_GAP, ny + down), shown, ink, _font(size), anchor="lm")
        return np.asarray(sheet)

    def _time(self, number: int) -> str:
        facts = self.shown.facts[number]
        return utc_text(facts.middle_utc)

    def _about(self, number: int) -> str:
        facts = self.shown.facts[number]
        parts = [f"{number + 1}/{len(self)}", printable(self.title)]
        if len(facts.ids) > 1:
            parts.append(f"{len(facts.ids)} subs in {max(facts.span_s, 0) / 60:.0f} min")
        return "  ".join(parts)

    def _draw_directions(self, draw: ImageDraw.ImageDraw, width: int, top: int) -> float:
        """Draw scale bar and north; return the width that they take."""
        place = self.shown.place
        right = float(width - _GAP)
        if place is not None:
            right -= _draw_north(draw, place, right, top)
        length, label = self._bar()
        font = _font(12)
        taken = max(length, font.getlength(label))
        left, y = right - (taken + length) / 2, top + 30
        draw.line([(left, y), (left + length, y)], _INK, 2)
        for x in (left, left + length):
            draw.line([(x, y - 4), (x, y + 4)], _INK, 1)
        draw.text((right - taken / 2, top + 13), label, _INK, font, anchor="mm")
        return width - (right - taken)

    def _bar(self) -> tuple[float, str]:
        """Return the length of the scale bar in pixels of the frame, and its label."""
        nx, place = self.shown.part.shape[1], self.shown.place
        if place is not None:
            return scale_bar(place.scale_arcsec, nx)
        factor = self.shown.part.factor
        longest = max(_BAR_SHARE * nx * factor, 1.0)
        steps = [m * 10**k for k in range(6) for m in (1, 2, 5) if m * 10**k <= longest]
        return max(steps) / factor, f"{max(steps)} px"


def utc_text(middle_utc: str) -> str:
    """Return the time of a frame in words: ``2026-03-23 21:05:41 UTC``, rounded to a second."""
    if not middle_utc:
        return "time unknown"
    rounded = np.datetime64(middle_utc) + np.timedelta64(500, "ms")
    return f"{str(rounded.astype('datetime64[s]')).replace('T', ' ')} UTC"


def _draw_north(draw: ImageDraw.ImageDraw, place: SkyPlace, right: float, top: int) -> float:
    """Draw an arrow to the north and a line to the east; return the width that they take."""
    reach = _ARROW_PX + _LETTER_PX + 4
    x, y = right - reach, top + _BAND_PX / 2
    for (u, v), letter in ((place.north, "N"), (place.east, "E")):
        tip = x + _ARROW_PX * u, y - _ARROW_PX * v
        draw.line([(x, y), tip], _INK if letter == "N" else _PALE, 2 if letter == "N" else 1)
        at = x + (_ARROW_PX + _LETTER_PX) * u, y - (_ARROW_PX + _LETTER_PX) * v
        draw.text(at, letter, _INK if letter == "N" else _PALE, _font(11), anchor="mm")
    u, v = place.north
    tip = x + _ARROW_PX * u, y - _ARROW_PX * v
    for side in (-1, 1):
        back = tip[0] - 5 * u + side * 3 * v, tip[1] + 5 * v + side * 3 * u
        draw.line([tip, back], _INK, 1)
    return 2 * reach + _GAP


@cache
def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size)


def _cut(text: str, size: int, room: float) -> str:
    shown, keep = text, len(text)
    while _font(size).getlength(shown) > room and keep > 1:
        keep -= 1
        shown = f"{text[:keep]}…"
    return shown
