"""Errors of the prediction that go with its light, in the variance of the statistic.

What a kernel misses of a star is no noise of single pixels: it adds up under the filter. Its size
is measured where light is bright: a share of the filtered light, a shift of it, and a share of the
brightest light nearby, for the wings.
"""

from dataclasses import dataclass

import numpy as np

from platelib.differences.predicted_light import BLOCK, runs_of
from platelib.differences.statistic import Statistic
from platelib.numerics.kernels import kernel, read_only

_BRIGHT = 30.0
"""Signal-to-noise of the predicted light from which on it tells the errors."""
_MOST, _FEWEST, _MOST_SUMMITS = 300, 5, 20_000
_QUANTILE, _CHI_SQUARE = 0.8, 1.642374
"""A quantile of chi square with one degree of freedom, by which an error is told of few stars."""
_UNKNOWN = (0.03, 0.05, 0.003)
_CELL_PX = 4
_REACH_FWHM = 2.2


@dataclass(frozen=True)
class Residue:
    """Errors of the predicted light.

    Attributes
    ----------
    share : float
        Of the light itself.
    shift_px : float
        Of the places of stars.
    spread : float
        Of the brightest light within about two FWHM.
    stars : int
        Bright sources that they were measured on; 0 if they are assumed.
    """

    share: float
    shift_px: float
    spread: float
    stars: int


def measure_residue(
    statistic: Statistic, light: np.ndarray, lit: np.ndarray, fwhm_px: float
) -> Residue:
    """Measure the errors of the prediction on bright sources.

    Parameters
    ----------
    statistic : Statistic
    light : numpy.ndarray
        ``(ny, nx)`` float32, from `platelib.differences.statistic.filter_light`.
    lit : numpy.ndarray
        Lit blocks.
    fwhm_px : float

    Returns
    -------
    Residue
    """
    y, x = _summits(statistic, light, lit, fwhm_px)
    if len(y) < _FEWEST:
        return Residue(*_UNKNOWN, 0)
    a, b = statistic.signal, statistic.information
    share = _excess(a[y, x] ** 2, b[y, x], light[y, x] ** 2)
    aside = max(1, round(0.5 * fwhm_px))
    slopes = [(y + j * aside, x + i * aside) for j, i in ((0, 1), (0, -1), (1, 0), (-1, 0))]
    side_y, side_x = (np.concatenate(part) for part in zip(*slopes, strict=True))
    across = light[side_y, side_x + 1] - light[side_y, side_x - 1]
    down = light[side_y + 1, side_x] - light[side_y - 1, side_x]
    slope = (across**2 + down**2) / 4
    known = b[side_y, side_x] + share**2 * light[side_y, side_x] ** 2
    shift = _excess(a[side_y, side_x] ** 2, known, slope)
    spread = _measure_spread(a, b, light, (y, x), fwhm_px, (share, shift))
    return Residue(share, shift, spread, len(y))


def _summits(statistic, light, lit, fwhm_px):
    """Return the places of bright maxima of the light away from the edge, brightest first."""
    margin = int(np.ceil(4 * fwhm_px)) + 2
    places = np.empty((_MOST_SUMMITS, 2), dtype=np.int64)
    planes = read_only(light), read_only(statistic.information)
    count = _find_summits(*planes, runs_of(lit, (0, len(light))), margin, places)
    y, x = places[:count].T
    order = np.argsort(-light[y, x], kind="stable")[:_MOST]
    return y[order], x[order]


@kernel
def _find_summits(light, information, runs, margin, places):
    """Store maxima of 3 x 3 pixels, as far as there is room; return their number."""
    ny, nx = light.shape
    count = 0
    limit = np.float32(_BRIGHT * _BRIGHT)
    for k in range(runs.shape[0]):
        first, last = max(runs[k, 1] * BLOCK, margin), min(runs[k, 2] * BLOCK, nx - margin)
        row = runs[k, 0] * BLOCK
        for y in range(max(row, margin), min(row + BLOCK, ny - margin)):
            for x in range(first, last):
                here = light[y, x]
                if here <= np.float32(0) or here * here < limit * information[y, x]:
                    continue
                highest = True
                for v in range(y - 1, y + 2):
                    for u in range(x - 1, x + 2):
                        highest &= here >= light[v, u]
                if highest and information[y, x] > np.float32(0) and count < places.shape[0]:
                    places[count, 0], places[count, 1] = y, x
                    count += 1
    return count


def _excess(squares, known, unit) -> float:
    """Return the error in units of a term, beyond what is known."""
    good = unit > 0
    if not good.any():
        return 0.0
    size = (squares[good] - _CHI_SQUARE * known[good]) / unit[good]
    value = np.quantile(size, _QUANTILE) / _CHI_SQUARE
    return float(f"{np.sqrt(max(float(value), 0.0)):.4g}")


def _measure_spread(a, b, light, summits, fwhm_px, known) -> float:
    y, x = summits
    squares, sure, units = [], [], []
    for away in (1.2, 1.6, 2.2):
        reach = int(np.rint(away * fwhm_px))
        for j, i in ((0, 1), (0, -1), (1, 0), (-1, 0)):
            at = y + j * reach, x + i * reach
            gradient = (
                (light[at[0], at[1] + 1] - light[at[0], at[1] - 1]) ** 2
                + (light[at[0] + 1, at[1]] - light[at[0] - 1, at[1]]) ** 2
            ) / 4
            alone = light[at] < 0.5 * light[y, x]
            squares.append(a[at][alone] ** 2)
            sure.append((b[at] + (known[0] * light[at]) ** 2 + known[1] ** 2 * gradient)[alone])
            units.append(light[y, x][alone] ** 2)
    return _excess(*(np.concatenate(part) for part in (squares, sure, units)))


def apply_residue(
    statistic: Statistic, light: np.ndarray, lit: np.ndarray, residue: Residue, fwhm_px: float
) -> None:
    """Scale both sums of a statistic in lit blocks by what errors of the light add, in place.

    Parameters
    ----------
    statistic : Statistic
    light : numpy.ndarray
        From `platelib.differences.statistic.filter_light`.
    lit : numpy.ndarray
        Lit blocks.
    residue : Residue
    fwhm_px : float
    """
    top = np.zeros([-(-size // _CELL_PX) for size in light.shape], dtype=np.float32)
    places = runs_of(lit, (0, len(light)))
    _cell_maxima(read_only(light), places, top)
    for axis in (0, 1):
        top = _widened(top, round(_REACH_FWHM * fwhm_px / _CELL_PX), axis)
    squares = tuple(
        np.float32(error**2) for error in (residue.share, residue.shift_px, residue.spread)
    )
    _apply(
        statistic.signal, statistic.information, read_only(light), read_only(top), places, squares
    )


def _widened(plane: np.ndarray, reach: int, axis: int) -> np.ndarray:
    """Return the largest value within so many cells along an axis."""
    wide = plane.copy()
    for shift in range(1, reach + 1):
        here, there = [slice(None)] * 2, [slice(None)] * 2
        here[axis], there[axis] = slice(shift, None), slice(None, -shift)
        for one, other in ((here, there), (there, here)):
            part = wide[tuple(one)]
            np.maximum(part, plane[tuple(other)], out=part)
    return wide


@kernel
def _cell_maxima(light, places, top):
    ny, nx = light.shape
    for k in range(places.shape[0]):
        for y in range(places[k, 0] * BLOCK, min((places[k, 0] + 1) * BLOCK, ny)):
            line, cells = light[y], top[y // _CELL_PX]
            for x in range(places[k, 1] * BLOCK, min(places[k, 2] * BLOCK, nx)):
                cells[x // _CELL_PX] = max(cells[x // _CELL_PX], line[x])


@kernel
def _apply(signal, information, light, top, places, squares):
    ny, nx = signal.shape
    quarter, one = np.float32(0.25), np.float32(1)
    for k in range(places.shape[0]):
        row = places[k, 0]
        for y in range(row * BLOCK, min((row + 1) * BLOCK, ny)):
            above, here, below = light[max(y - 1, 0)], light[y], light[min(y + 1, ny - 1)]
            for x in range(places[k, 1] * BLOCK, min(places[k, 2] * BLOCK, nx)):
                across = here[min(x + 1, nx - 1)] - here[max(x - 1, 0)]
                down = below[x] - above[x]
                wide = top[y // _CELL_PX, x // _CELL_PX]
                error = squares[0] * here[x] * here[x] + squares[2] * wide * wide
                error += squares[1] * quarter * (across * across + down * down)
                b = information[y, x]
                share = b / (b + error) if b > np.float32(0) else one
                signal[y, x] *= share
                information[y, x] = b * share
