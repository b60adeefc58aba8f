"""Kernels from linear light to display values: the stretch, and colours in Oklab.

They do, pixel by pixel and with tables for curves, what `platelib.picture.stretch` and
`platelib.colour.luminance` do for arrays; tests compare both.
"""

from typing import NamedTuple

import numpy as np

from platelib.colour.curve_tables import (
    asinh_table,
    by_octaves,
    cube_root,
    to_display,
    to_light,
    transfer_tables,
)
from platelib.colour.srgb import CONES_TO_LINEAR, CONES_TO_OKLAB, LINEAR_TO_CONES, OKLAB_TO_CONES
from platelib.numerics.kernels import kernel, read_only
from platelib.picture.stretch import SLOPE_AT, AsinhCurve, Shoulder

_FULL = 65535
_HALVINGS = 20
_BEYOND = 1e-6
_NO_PLANE = read_only(np.zeros((0, 0), dtype=np.float32))
_MATRICES = tuple(
    read_only(matrix)
    for matrix in (LINEAR_TO_CONES, CONES_TO_OKLAB, OKLAB_TO_CONES, CONES_TO_LINEAR)
)


class Tone(NamedTuple):
    """Curve and shoulder of a picture, or of its luminance, for kernels.

    Attributes
    ----------
    minimum, gain, scale : float
        Display value of an intensity ``I``: ``scale * asinh(t)`` with
        ``t = gain * (I - minimum)``.
    start, room, reach : float
        Display values above ``start`` are rolled off; ``room`` is 0 if they are cut at 1.
    table, first
        See `platelib.colour.curve_tables.asinh_table`.
    """

    minimum: float
    gain: float
    scale: float
    start: float
    room: float
    reach: float
    table: np.ndarray
    first: int


def tone_of(curve: AsinhCurve, start: float, brightest: float, top: float | None = None) -> Tone:
    """Return the tone of a curve.

    Parameters
    ----------
    curve : AsinhCurve
    start : float
        Of the shoulder; 1 cuts highlights.
    brightest : float
        Largest intensity.
    top : float, optional
        Display value of the brightest pixel by the curve alone, which becomes 1; without it
        highlights are not rolled off.
    """
    gain = curve.softening / curve.stretch
    scale = SLOPE_AT / float(np.arcsinh(SLOPE_AT * curve.softening))
    table, first = asinh_table(gain * max(brightest - curve.minimum, 0.0))
    shoulder = Shoulder(start, 1.0 if top is None else top)
    room = 0.0 if shoulder.is_cut else 1.0 - start
    reach = (shoulder.top - start) / room if room else 1.0
    return Tone(curve.minimum, gain, scale, start, room, reach, table, first)


def highest_value(planes: np.ndarray, tone: Tone) -> float:
    """Return the highest display value that the curve alone gives; 0 without data.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, n 1 or 3.
    tone : Tone
    """
    return float(_highest(read_only(planes), tone))


def put_pixels(
    planes: np.ndarray,
    light: np.ndarray | None,
    whiteness: np.ndarray | None,
    tone: Tone,
    light_tone: Tone | None,
    saturation: float,
    max_chroma_gain: float,
    out: np.ndarray,
) -> int:
    """Draw a strip.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, rows, nx)`` float32 linear, n 1 or 3; NaN for no data.
    light : numpy.ndarray or None
        ``(rows, nx)`` float32 luminance.
    whiteness : numpy.ndarray or None
        ``(rows, nx)`` float32, see `platelib.colour.star_cores.Cores`.
    tone : Tone
    light_tone : Tone or None
        Of the luminance.
    saturation, max_chroma_gain : float
        See `platelib.picture.render.Look`.
    out : numpy.ndarray
        ``(rows, nx, 3)`` uint16, written.

    Returns
    -------
    int
        Pixels without data, which are black.
    """
    count: int = _put(
        read_only(planes),
        _NO_PLANE if light is None else read_only(light),
        _NO_PLANE if whiteness is None else read_only(whiteness),
        tone,
        light_tone or tone,
        transfer_tables(),
        _MATRICES,
        saturation,
        max_chroma_gain,
        out,
    )
    return count


@kernel
def _ratio(tone, intensity):
    """Return display value over intensity above black; 0 at and below black."""
    if not intensity > 0:
        return 0.0
    t = intensity * tone.gain
    return tone.scale * tone.gain * by_octaves(tone.table, tone.first, 1.0 + t)


@kernel
def _rolled(tone, peak):
    """Return the display value of at most 1 of a peak."""
    if tone.room <= 0:
        return min(peak, 1.0)
    if peak <= tone.start:
        return peak
    above = (peak - tone.start) / tone.room
    rolled = tone.start + tone.room * above * (1 + above / tone.reach**2) / (1 + above)
    return min(rolled, 1.0)


@kernel
def _toned(tone, red, green, blue):
    """Stretch a pixel with the ratios of its planes kept."""
    r, g, b = red - tone.minimum, green - tone.minimum, blue - tone.minimum
    factor = _ratio(tone, (r + g + b) / 3)
    r, g, b = max(r * factor, 0.0), max(g * factor, 0.0), max(b * factor, 0.0)
    peak = max(r, g, b)
    if peak > tone.start or peak > 1:
        share = _rolled(tone, peak) / peak
        r, g, b = r * share, g * share, b * share
    return r, g, b


@kernel
def _toned_grey(tone, value):
    above = value - tone.minimum
    return _rolled(tone, max(above * _ratio(tone, above), 0.0))


@kernel
def _mixed(matrix, x, y, z):
    """Multiply by a matrix."""
    return (
        matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2] * z,
        matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2] * z,
        matrix[2, 0] * x + matrix[2, 1] * y + matrix[2, 2] * z,
    )


@kernel
def _oklab(matrices, tables, r, g, b):
    """Convert display values to Oklab."""
    long, medium, short = _mixed(
        matrices[0], to_light(tables, r), to_light(tables, g), to_light(tables, b)
    )
    return _mixed(
        matrices[1],
        cube_root(tables, long),
        cube_root(tables, medium),
        cube_root(tables, short),
    )


@kernel
def _light(matrices, lightness, a, b):
    """Convert Oklab to linear light."""
    x, y, z = _mixed(matrices[2], lightness, a, b)
    return _mixed(matrices[3], x * x * x, y * y * y, z * z * z)


@kernel
def _is_shown(r, g, b):
    low, high = min(r, g, b), max(r, g, b)
    return low >= -_BEYOND and high <= 1 + _BEYOND


@kernel
def _display(matrices, tables, lightness, a, b):
    """Convert Oklab to display values, with chroma reduced as far as a display needs it."""
    lightness = min(max(lightness, 0.0), 1.0)
    red, green, blue = _light(matrices, lightness, a, b)
    if not _is_shown(red, green, blue):
        paler, vivid = 0.0, 1.0
        for _ in range(_HALVINGS):
            middle = (paler + vivid) / 2
            red, green, blue = _light(matrices, lightness, a * middle, b * middle)
            if _is_shown(red, green, blue):
                paler = middle
            else:
                vivid = middle
        red, green, blue = _light(matrices, lightness, a * paler, b * paler)
    return (
        to_display(tables, min(max(red, 0.0), 1.0)),
        to_display(tables, min(max(green, 0.0), 1.0)),
        to_display(tables, min(max(blue, 0.0), 1.0)),
    )


@kernel
def _level(value):
    return np.uint16(round(value * _FULL))


@kernel
def _put(
    planes,
    light,
    whiteness,
    tone,
    light_tone,
    tables,
    matrices,
    saturation,
    max_chroma_gain,
    out,
):
    black = 0
    coloured, lit, whitened = planes.shape[0] == 3, light.size > 0, whiteness.size > 0
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            if coloured:
                r, g, b = planes[0, y, x], planes[1, y, x], planes[2, y, x]
            else:
                r = g = b = planes[0, y, x]
            known = np.isfinite(r) and np.isfinite(g) and np.isfinite(b)
            if lit:
                known &= np.isfinite(light[y, x])
            if not known:
                out[y, x, 0] = out[y, x, 1] = out[y, x, 2] = 0
                black += 1
                continue
            if coloured:
                r, g, b = _toned(tone, np.float64(r), np.float64(g), np.float64(b))
                if saturation != 1:
                    lightness, across, along = _oklab(matrices, tables, r, g, b)
                    across, along = across * saturation, along * saturation
                    r, g, b = _display(matrices, tables, lightness, across, along)
            else:
                r = g = b = _toned_grey(tone, np.float64(r))
            if lit:
                wanted = _toned_grey(light_tone, np.float64(light[y, x]))
                wanted = cube_root(tables, to_light(tables, wanted))
                lightness, across, along = _oklab(matrices, tables, r, g, b)
                lift = min(wanted / lightness, max_chroma_gain) if lightness > 0 else 0.0
                r, g, b = _display(matrices, tables, wanted, across * lift, along * lift)
            if whitened and coloured and whiteness[y, x] > 0:
                peak, share = max(r, g, b), whiteness[y, x]
                r, g, b = r + share * (peak - r), g + share * (peak - g), b + share * (peak - b)
            out[y, x, 0], out[y, x, 1], out[y, x, 2] = _level(r), _level(g), _level(b)
    return black


@kernel
def _highest(planes, tone):
    highest = 0.0
    for y in range(planes.shape[1]):
        for x in range(planes.shape[2]):
            if planes.shape[0] == 3:
                r = planes[0, y, x] - tone.minimum
                g = planes[1, y, x] - tone.minimum
                b = planes[2, y, x] - tone.minimum
                total, peak = r + g + b, max(r, g, b)
                if np.isfinite(total):
                    highest = max(highest, peak * _ratio(tone, total / 3))
            else:
                r = planes[0, y, x] - tone.minimum
                if np.isfinite(r):
                    highest = max(highest, r * _ratio(tone, r))
    return highest


def warm_up() -> None:
    """Compile the kernels of this module."""
    tone = tone_of(AsinhCurve(0.0, 1.0, 8.0), 0.8, 1.0, 2.0)
    out = np.empty((1, 1, 3), dtype=np.uint16)
    for count in (1, 3):
        planes = np.ones((count, 1, 1), dtype=np.float32)
        highest_value(planes, tone)
        put_pixels(planes, planes[0], planes[0], tone, tone, 1.1, 2.0, out)
