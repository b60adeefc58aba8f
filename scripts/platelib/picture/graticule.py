"""Graticule, compass and scale bar of a picture."""

import math
from dataclasses import dataclass

import numpy as np

from platelib.astrometry.tan_sip import SkyMap

_LINES = 4.0
_DEC_STEPS_ARCSEC = (
    1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 18000, 36000, 72000,
)  # fmt: skip
_RA_STEPS_S = (
    0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 10800, 21600,
)  # fmt: skip
_BAR_ARCSEC = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 18000)
_POINTS = 61
_BAR_SHARE = 0.22


@dataclass(frozen=True)
class GridLine:
    """A line of equal right ascension or declination.

    Attributes
    ----------
    label : str
        ``10h34m20s`` or ``+30°10'``.
    x, y : numpy.ndarray
        ``(n,)`` places on the grid; NaN outside of the picture.
    is_meridian : bool
        Whether it is a line of equal right ascension.
    """

    label: str
    x: np.ndarray
    y: np.ndarray
    is_meridian: bool


def grid_lines(sky_map: SkyMap, shape: tuple[int, int]) -> list[GridLine]:
    """Return about four meridians and four parallels across a picture.

    Parameters
    ----------
    sky_map : SkyMap
    shape : tuple of int
        ``(ny, nx)``.
    """
    ny, nx = shape
    ra0, low, high, half_ra, pole = _extent(sky_map, shape)
    step = _nearest((high - low) * 3600 / _LINES, _DEC_STEPS_ARCSEC) / 3600
    first = math.ceil(round(low / step, 9))
    decs = [k * step for k in range(first, math.floor(round(high / step, 9)) + 1)]
    middle = 0.5 * (low + high)
    stretch = 15.0  # arc seconds of right ascension in a second of time
    wanted = min(2 * half_ra, (high - low) / max(math.cos(math.radians(middle)), 0.02))
    ra_step = _nearest(wanted * 3600 / stretch / _LINES, _RA_STEPS_S) * stretch / 3600
    if pole:
        half_ra, ra_step = 180.0, 30.0
    first = math.ceil(round((ra0 - half_ra) / ra_step, 9))
    last = math.floor(round((ra0 + half_ra) / ra_step, 9))
    ras = [k * ra_step for k in (range(12) if pole else range(first, last + 1))]
    along_dec = np.linspace(max(low - step, -90.0), min(high + step, 90.0), _POINTS)
    along_ra = np.linspace(ra0 - half_ra - ra_step, ra0 + half_ra + ra_step, 3 * _POINTS)
    lines = []
    for ra in ras:
        x, y = sky_map.pixels(np.full(_POINTS, ra % 360.0), along_dec)
        lines.append(_line(right_ascension(ra % 360.0, ra_step), x, y, (ny, nx), True))
    for dec in decs:
        x, y = sky_map.pixels(along_ra % 360.0, np.full(along_ra.size, dec))
        lines.append(_line(declination(dec, step), x, y, (ny, nx), False))
    return [line for line in lines if np.isfinite(line.x).sum() > 1]


def _extent(sky_map: SkyMap, shape: tuple[int, int]) -> tuple[float, float, float, float, bool]:
    """Middle right ascension, declinations, half the span of right ascension; whether a pole is in.

    The edge of a picture without a pole has its extremes.
    """
    ny, nx = shape
    edge = np.linspace(0.0, 1.0, 33)
    x = np.concatenate([edge, edge, np.zeros(33), np.ones(33)]) * (nx - 1)
    y = np.concatenate([np.zeros(33), np.ones(33), edge, edge]) * (ny - 1)
    ra, dec = sky_map.sky(x, y)
    middle_ra, _ = sky_map.sky((nx - 1) / 2, (ny - 1) / 2)
    ra0 = float(middle_ra)
    away = np.mod(ra - ra0 + 180.0, 360.0) - 180.0
    for pole in (90.0, -90.0):
        px, py = (float(v) for v in sky_map.pixels(ra0, pole))
        if 0 <= px <= nx - 1 and 0 <= py <= ny - 1:
            reach = dec.min() if pole > 0 else dec.max()
            return ra0, min(pole, float(reach)), max(pole, float(reach)), 180.0, True
    return ra0, float(dec.min()), float(dec.max()), float(np.abs(away).max()), False


def _nearest(wanted: float, steps: tuple[float, ...]) -> float:
    return min(steps, key=lambda step: abs(math.log(step / max(wanted, 1e-9))))


def _line(
    label: str, x: np.ndarray, y: np.ndarray, shape: tuple[int, int], is_meridian: bool
) -> GridLine:
    """Keep the part of a line inside of the picture, and a point beyond each end of it."""
    ny, nx = shape
    with np.errstate(invalid="ignore"):
        inside = (x > -0.5) & (x < nx - 0.5) & (y > -0.5) & (y < ny - 0.5)
    near = inside.copy()
    near[1:] |= inside[:-1]
    near[:-1] |= inside[1:]
    return GridLine(label, np.where(near, x, np.nan), np.where(near, y, np.nan), is_meridian)


def right_ascension(ra_deg: float, step_deg: float = 0.0) -> str:
    """Write a right ascension in hours, as finely as a step needs: ``10h34m20s``."""
    tenths = round(ra_deg / 15 * 36000) % 864000
    hours, rest = divmod(tenths, 36000)
    minutes, rest = divmod(rest, 600)
    text = f"{hours}h{minutes:02d}m"
    if step_deg and round(step_deg / 15 * 36000) % 600 == 0:
        return text
    if step_deg and round(step_deg / 15 * 36000) % 10 == 0:
        return f"{text}{rest // 10:02d}s"
    return f"{text}{rest // 10:02d}.{rest % 10}s"


def declination(dec_deg: float, step_deg: float = 0.0) -> str:
    """Write a declination, as finely as a step needs: ``+30°10'``."""
    seconds = round(abs(dec_deg) * 3600)
    degrees, rest = divmod(seconds, 3600)
    minutes, rest = divmod(rest, 60)
    text = f"{'-' if dec_deg < 0 and seconds else '+'}{degrees}°"
    if step_deg and round(step_deg * 3600) % 3600 == 0:
        return text
    text += f"{minutes:02d}'"
    return text if step_deg and round(step_deg * 3600) % 60 == 0 else f'{text}{rest:02d}"'


def directions(sky_map: SkyMap, x: float, y: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the unit vectors of north and east on the grid at a position."""
    ra, dec = (float(v) for v in sky_map.sky(x, y))
    step = sky_map.scale_arcsec / 3600
    north = _towards(sky_map, x, y, ra, min(dec + step, 90.0))
    turn = step / max(math.cos(math.radians(dec)), 1e-6)
    return north, _towards(sky_map, x, y, (ra + turn) % 360.0, dec)


def _towards(sky_map: SkyMap, x: float, y: float, ra: float, dec: float) -> np.ndarray:
    px, py = (float(v) for v in sky_map.pixels(ra, dec))
    way = np.array([px - x, py - y])
    return way / np.hypot(*way)


def scale_bar(scale_arcsec: float, width_px: int) -> tuple[float, str]:
    """Return the length of a scale bar in pixels, and its label.

    It is the longest round angle that is no longer than about a fifth of the picture's width.
    """
    longest = _BAR_SHARE * width_px * scale_arcsec
    angle = max((one for one in _BAR_ARCSEC if one <= longest), default=_BAR_ARCSEC[0])
    if angle >= 3600:
        label = f"{angle / 3600:g}°"
    else:
        label = f"{angle / 60:g}'" if angle >= 60 else f'{angle:g}"'
    return angle / scale_arcsec, label
