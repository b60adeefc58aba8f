"""A picture with annotations of its field as PNG, and the annotations alone as SVG.

Drawn by matplotlib's Agg and SVG backends with the font that comes with it, without dates, so that
the same picture and sources give the same bytes.
"""

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import matplotlib.backends.backend_svg  # noqa: F401 - else each job that draws loads it
import numpy as np
from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.patches import Ellipse as Patch
from matplotlib.patheffects import withStroke

from platefiles.core.safe_names import printable
from platelib.astrometry.tan_sip import SkyMap
from platelib.picture.graticule import directions, grid_lines, scale_bar
from platelib.picture.label_layout import Box, Wish, place_labels
from platelib.picture.pixels import PixelArray, Pixels
from platelib.picture.png_filter import to_8_bits

_DPI = 100.0
_GRID, _OBJECT, _FAINT, _STAR, _INK = "#6f8fb0", "#ffd35a", "#7fe0e0", "#c9c9c9", "#f4f4f4"
_LEAST_REACH_PX = 6.0
_STRIP_ROWS = 64
MOST_LETTERS = 200
"""Of a longer text the beginning is drawn: the font library refuses images that are too wide."""

_AXES = ("major_arcmin", "minor_arcmin")


@dataclass(frozen=True)
class Ellipse:
    """An ellipse with its name.

    Attributes
    ----------
    label : str
    x, y : float
        On the grid.
    major_px, minor_px : float
        Semi-axes.
    angle_deg : float
        Of the major axis, from +x towards +y.
    catalogued : bool
        Whether it is catalogued; others are drawn fainter.
    """

    label: str
    x: float
    y: float
    major_px: float
    minor_px: float
    angle_deg: float
    catalogued: bool

    @property
    def reach(self) -> tuple[float, float]:
        """Half its width and half its height."""
        turn = math.radians(self.angle_deg)
        major, minor = (max(axis, _LEAST_REACH_PX) for axis in (self.major_px, self.minor_px))
        return (
            math.hypot(major * math.cos(turn), minor * math.sin(turn)),
            math.hypot(major * math.sin(turn), minor * math.cos(turn)),
        )


@dataclass(frozen=True)
class StarMark:
    """A star with its label."""

    label: str
    x: float
    y: float


@dataclass(frozen=True)
class Drawing:
    """The annotations of a picture, with the position of each label.

    Attributes
    ----------
    title : str
    sky_map : SkyMap
    shape : tuple of int
        ``(ny, nx)``.
    ellipses : sequence of Ellipse
        In the order of importance.
    stars : sequence of StarMark
        Likewise.
    """

    title: str
    sky_map: SkyMap
    shape: tuple[int, int]
    ellipses: Sequence[Ellipse]
    stars: Sequence[StarMark]
    boxes: list[Box] = field(default_factory=list)

    def over(self, picture: Pixels) -> Pixels:
        """Return the picture with the drawing.

        Parameters
        ----------
        picture : Pixels
            Rounded to 8 bits a colour.

        Returns
        -------
        Pixels
        """
        figure, axes = self._figure()
        figure.patch.set_visible(False)
        renderer = FigureCanvasAgg(figure).get_renderer()
        self._draw(figure, axes, renderer)
        # As an image of the figure, the picture would be sampled again, in 112 bytes a pixel.
        canvas = np.asarray(renderer.buffer_rgba())[::-1]
        for start in range(0, len(canvas), _STRIP_ROWS):
            rows = canvas[start : start + _STRIP_ROWS]
            rows[..., :3] = to_8_bits(picture.rows(start, start + len(rows)))
            rows[..., 3] = 255
        figure.draw(renderer)
        return PixelArray(canvas)

    def svg(self) -> bytes:
        """Return the drawing alone, on a transparent background, in the size of the picture."""
        figure, axes = self._figure()
        figure.patch.set_alpha(0.0)
        # The size of letters is all that is asked of it.
        self._draw(figure, axes, RendererAgg(1, 1, _DPI))
        content = io.BytesIO()
        with rc_context({"svg.hashsalt": "platelog", "svg.fonttype": "path"}):
            figure.savefig(
                content, format="svg", dpi=_DPI, transparent=True, metadata={"Date": None}
            )
        return content.getvalue()

    @property
    def _point(self) -> float:
        """Font size in points, for a picture viewed as a whole."""
        return float(np.clip(min(self.shape) / 95.0, 7.0, 30.0)) * 72.0 / _DPI

    def _figure(self):
        ny, nx = self.shape
        figure = Figure(figsize=(nx / _DPI, ny / _DPI), dpi=_DPI, frameon=True)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_axis_off()
        axes.set_xlim(-0.5, nx - 0.5)
        axes.set_ylim(-0.5, ny - 0.5)
        axes.set_autoscale_on(False)
        return figure, axes

    def _draw(self, figure, axes, renderer) -> None:
        self.boxes.clear()
        ny, nx = self.shape
        pen = _Pen(axes, renderer, self._point, Box(0.0, 0.0, nx - 1.0, ny - 1.0), self.boxes)
        self._compass(pen)
        pen.fixed(self.title, 0.012 * nx, ny - 1 - 0.012 * ny, "left", "top", 1.25)
        self._grid(pen)
        self._ellipses(pen)
        self._stars(pen)

    def _grid(self, pen: "_Pen") -> None:
        for line in grid_lines(self.sky_map, self.shape):
            pen.axes.plot(line.x, line.y, color=_GRID, linewidth=0.7, alpha=0.6)
            pen.at_edge(line.label, line.x, line.y, _GRID)

    def _compass(self, pen: "_Pen") -> None:
        """Draw north and east and the scale bar in the lower corners."""
        ny, nx = self.shape
        length = 0.07 * min(ny, nx)
        x, y = 1.9 * length, 1.9 * length
        letters = directions(self.sky_map, x, y)
        for letter, way in zip(("N", "E"), letters, strict=True):
            u, v = x + length * way[0], y + length * way[1]
            pen.axes.annotate(
                "",
                (u, v),
                (x, y),
                arrowprops={"arrowstyle": "-|>", "color": _INK, "linewidth": 1.2},
            )
            pen.boxes.append(Box(min(x, u) - 4, min(y, v) - 4, max(x, u) + 4, max(y, v) + 4))
            tip = 1.35 * length
            pen.fixed(letter, x + tip * way[0], y + tip * way[1], "center", "center", 1.2)
        bar, label = scale_bar(self.sky_map.scale_arcsec, nx)
        right, bottom = nx - 0.04 * nx, 0.04 * ny
        pen.axes.plot([right - bar, right], [bottom, bottom], color=_INK, linewidth=2.0)
        pen.boxes.append(Box(right - bar, bottom - 4, right, bottom + 4))
        pen.fixed(label, right - bar / 2, bottom + 6, "center", "bottom", 1.2)

    def _ellipses(self, pen: "_Pen") -> None:
        wishes = []
        for one in self.ellipses:
            axes = [2 * max(axis, _LEAST_REACH_PX) for axis in (one.major_px, one.minor_px)]
            colour = _OBJECT if one.catalogued else _FAINT
            width = 1.3 if one.catalogued else 0.8
            pen.axes.add_patch(
                Patch(
                    (one.x, one.y),
                    *axes,
                    angle=one.angle_deg,
                    fill=False,
                    edgecolor=colour,
                    linewidth=width,
                    alpha=0.9,
                )
            )
            wishes.append((one.label, one.x, one.y, *one.reach, colour))
        pen.placed(wishes, 1.0)

    def _stars(self, pen: "_Pen") -> None:
        wishes = [(star.label, star.x, star.y, 3.0, 3.0, _STAR) for star in self.stars]
        pen.placed(wishes, 0.8)


@dataclass(frozen=True)
class _Pen:
    """Writes labels into free space and records the occupied space."""

    axes: Any
    renderer: Any
    point: float
    frame: Box
    boxes: list[Box]

    def size(self, text: str, scale: float) -> tuple[float, float]:
        """Return width and height of a text in pixels."""
        font = FontProperties(family="DejaVu Sans", size=self.point * scale)
        drawn = drawn_text(text)
        width, height, _ = self.renderer.get_text_width_height_descent(drawn, font, False)
        return float(width) + 2.0, float(height) + 2.0

    def write(self, text: str, box: Box, colour: str, scale: float) -> None:
        """Write a text into its box, with a dark rim for contrast."""
        self.axes.text(
            0.5 * (box.left + box.right),
            0.5 * (box.bottom + box.top),
            drawn_text(text),
            color=colour,
            ha="center",
            va="center",
            family="DejaVu Sans",
            size=self.point * scale,
            parse_math=False,  # a name may hold a dollar sign, which means no formula
            path_effects=[withStroke(linewidth=1.6, foreground="#000000a0")],
        )

    def fixed(self, text: str, x: float, y: float, across: str, along: str, scale: float) -> None:
        """Write a text at a given position."""
        width, height = self.size(text, scale)
        left = {"left": x, "center": x - width / 2, "right": x - width}[across]
        bottom = {"bottom": y, "center": y - height / 2, "top": y - height}[along]
        box = Box(left, bottom, left + width, bottom + height)
        self.boxes.append(box)
        self.write(text, box, _INK, scale)

    def placed(
        self, wishes: Sequence[tuple[str, float, float, float, float, str]], scale: float
    ) -> None:
        """Write labels beside their objects where there is room."""
        asked = [
            Wish(x, y, reach_x, reach_y, *self.size(text, scale))
            for text, x, y, reach_x, reach_y, _ in wishes
        ]
        for (text, *_, colour), box in zip(
            wishes, place_labels(asked, self.frame, self.boxes), strict=True
        ):
            if box is not None:
                self.boxes.append(box)
                self.write(text, box, colour, scale)

    def at_edge(self, text: str, x: np.ndarray, y: np.ndarray, colour: str) -> None:
        """Write the label of a line just inside the edge of the picture, if free."""
        width, height = self.size(text, 0.85)
        inset = Box(
            self.frame.left + width / 2 + 2,
            self.frame.bottom + height / 2 + 2,
            self.frame.right - width / 2 - 2,
            self.frame.top - height / 2 - 2,
        )
        good = np.flatnonzero(np.isfinite(x))
        for k in (*good[:3], *good[::-1][:3]):
            px = float(np.clip(x[k], inset.left, inset.right))
            py = float(np.clip(y[k], inset.bottom, inset.top))
            box = Box(px - width / 2, py - height / 2, px + width / 2, py + height / 2)
            if not any(box.overlaps(other) for other in self.boxes):
                self.boxes.append(box)
                self.write(text, box, colour, 0.85)
                return


def drawn_text(text: str) -> str:
    """Return a text ready to draw: on one line, printable and of limited length.

    Parameters
    ----------
    text : str
        A title, or a name from an untrusted catalogue.
    """
    shown = printable(text)
    return shown if len(shown) <= MOST_LETTERS else f"{shown[: MOST_LETTERS - 1]}…"


def catalogue_ellipse(row: Mapping[str, Any], sky_map: SkyMap) -> Ellipse:
    """Return the ellipse of a catalogued object; a small circle if its size is unknown."""
    half = 30.0 / sky_map.scale_arcsec  # pixels for half of an arc minute
    major, minor = (row[name] * half if row[name] == row[name] else 0.0 for name in _AXES)
    angle = row["angle_deg"] if row["angle_deg"] == row["angle_deg"] else 0.0
    angle = _grid_angle(sky_map, row, angle)
    return Ellipse(row["name"], row["x"], row["y"], major, minor, angle, True)


def source_ellipse(row: Mapping[str, Any], label: str, sky_map: SkyMap, scale: float) -> Ellipse:
    """Return the ellipse of a source measured on a grid with pixels `scale` times as large."""
    major, minor = (max(scale * row[name], _LEAST_REACH_PX) for name in ("major_px", "minor_px"))
    angle = _grid_angle(sky_map, row, row["angle_deg"])
    return Ellipse(label, row["x"], row["y"], major, minor, angle, False)


def _grid_angle(sky_map: SkyMap, row: Mapping[str, Any], position_angle: float) -> float:
    """Convert a position angle to an angle from +x towards +y."""
    north, east = directions(sky_map, float(row["x"]), float(row["y"]))
    turn = math.radians(position_angle)
    way = math.cos(turn) * north + math.sin(turn) * east
    return math.degrees(math.atan2(way[1], way[0]))
