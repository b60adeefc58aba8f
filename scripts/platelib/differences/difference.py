"""The difference of a sub and the light that a reference predicts for it, with its variance.

The reference is a stack in which the sub itself has a share. The stack of the other subs follows
from it pixel by pixel, so that the noise of both sides is independent and a source that only the
sub shows keeps all of its light.
"""

import threading
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np

from platelib.background.measure_mesh import sky_mesh
from platelib.detection.peaks import limit_lines
from platelib.differences.predicted_light import BLOCK, mix, predict_light
from platelib.differences.varying_kernel import VaryingKernel
from platelib.numerics.kernels import kernel, read_only
from platelib.numerics.pieces import pieces_of
from platelib.numerics.workspace import Room

_BAND_ROWS = 4 * BLOCK
_CELL_PX = 128
BELOW_SATURATION = 0.9
_LARGEST_SHARE = 0.9
"""Share of the sub in the stack from which on the others do not tell what to expect."""
_LEAST_VARIANCE = np.float32(0.3)
"""Least variance of what is expected, over that of what is there."""


@dataclass(frozen=True)
class SubAndStack:
    """A sub on the grid and the stack that it is compared with, in the unit of the channel.

    Attributes
    ----------
    values, variances : numpy.ndarray
        ``(ny, nx)`` float32: the sub less the common sky; NaN = no data.
    mean, mean_variance : numpy.ndarray
        ``(ny, nx)`` float32: the stack less the same sky, and its variance.
    share : numpy.ndarray
        ``(ny, nx)`` float32: share of the sub in the stack, 0 where it was rejected or has no part.
    gain : float
        Variance that a unit of light adds to a pixel of the sub.
    saturation : float
        Light from which on a pixel of the sub is saturated; infinite if unknown.
    masked : numpy.ndarray or None
        ``(ny, nx)`` bool: pixels that do not count, such as trails that are known.
    """

    values: np.ndarray
    variances: np.ndarray
    mean: np.ndarray
    mean_variance: np.ndarray
    share: np.ndarray
    gain: float
    saturation: float = np.inf
    masked: np.ndarray | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """``(ny, nx)``."""
        return self.values.shape[0], self.values.shape[1]


@dataclass(frozen=True)
class Difference:
    """A sub less its prediction.

    Attributes
    ----------
    values, weight : numpy.ndarray
        ``(ny, nx)`` float32: the difference without its own background, and its inverse variance;
        both are 0 where there is no data and in saturated cores.
    light : numpy.ndarray
        ``(ny, nx)`` float32: the light that was predicted; 0 where it is unknown.
    """

    values: np.ndarray
    weight: np.ndarray
    light: np.ndarray


@dataclass(frozen=True)
class NoiseFactors:
    """Variance of a matched filter over that of independent pixels.

    Attributes
    ----------
    sub : float
        Of the pixels of the sub.
    stack, lit_stack : float
        Of those of the stack: as they are, and convolved by the kernel.
    """

    sub: float
    stack: float
    lit_stack: float


def others_of(
    planes: Sequence[np.ndarray], room: Room | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean of the other subs and its variance.

    Parameters
    ----------
    planes : sequence of numpy.ndarray
        ``(n, m)`` float32: rows of values, variances, mean, mean_variance and share of a
        `SubAndStack`.
    room : Room, optional
        Memory of the result.

    Returns
    -------
    mean, variance : numpy.ndarray
        ``(n, m)`` float32; NaN where the sub has nearly all of the weight.
    """
    rest, variance = (room or Room()).plane("others", (2, *planes[0].shape), np.float32)
    _take_out(*(read_only(plane) for plane in planes), rest, variance)
    return rest, variance


def subtract(
    both: SubAndStack,
    matching: VaryingKernel,
    lit: np.ndarray,
    factors: NoiseFactors,
    grow_px: float,
    threads: int = 1,
    room: Room | None = None,
) -> Difference:
    """Subtract the prediction from a sub.

    Parameters
    ----------
    both : SubAndStack
    matching : VaryingKernel
    lit : numpy.ndarray
        From `platelib.differences.predicted_light.lit_blocks`.
    factors : NoiseFactors
        They weight the variance of the stack against that of the sub.
    grow_px : float
        Distance from saturated pixels that is masked as well.
    threads : int
        Bands of rows that are worked on at a time; it changes no bit.
    room : Room, optional
        Memory of the result.

    Returns
    -------
    Difference
    """
    ny, nx = both.shape
    room = room or Room()
    values, weight, light = room.plane("difference", (3, ny, nx), np.float32)
    full = room.plane("full", (ny, nx), np.uint8)
    masked = np.zeros((ny, nx), bool) if both.masked is None else both.masked

    of_thread = threading.local()

    def fill(first: int) -> None:
        if not hasattr(of_thread, "room"):
            of_thread.room = Room()
        last = min(first + _BAND_ROWS, ny)
        top, bottom = max(first - matching.radius, 0), min(last + matching.radius, ny)
        planes = (both.values, both.variances, both.mean, both.mean_variance, both.share)
        mean, variance = others_of([plane[top:bottom] for plane in planes], of_thread.room)
        part = slice(first, last)
        predict_light(mean, top, lit, matching, (first, last), light[part])
        line = np.empty((2, nx), dtype=np.float32)
        _subtract(
            read_only(both.values[part]), read_only(both.variances[part]),
            read_only(variance[first - top : last - top]),
            read_only(masked[part].view(np.uint8)),
            read_only(lit[first // BLOCK : -(-last // BLOCK)].view(np.uint8)),
            (np.float32(both.gain / factors.sub), np.float32(BELOW_SATURATION * both.saturation)),
            (np.float32(factors.stack / factors.sub), np.float32(factors.lit_stack / factors.sub)),
            values[part], weight[part], light[part], full[part], line,
        )  # fmt: skip

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(fill, range(0, ny, _BAND_ROWS)))
    cores = pieces_of(full)
    if len(cores):
        full[:] = 0
        cores.grown(np.full(len(cores), grow_px), full.view(bool))
        values[full.view(bool)] = np.nan
    remove_background(values, weight, threads)
    return Difference(values, weight, light)


def remove_background(values: np.ndarray, weight: np.ndarray, threads: int = 1) -> None:
    """Subtract the medians of cells, smoothed over 3 x 3 of them, in place.

    Parameters
    ----------
    values, weight : numpy.ndarray
        ``(ny, nx)`` float32; both become 0 where the value is NaN.
    threads : int
    """
    ny, nx = values.shape
    level = smoothed_cells(np.nan_to_num(sky_mesh(values, _CELL_PX).level))
    lines = read_only(limit_lines(level, nx)[0])
    sky = partial(_remove_rows, values, weight, lines)
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(sky, range(0, ny, _BAND_ROWS)))


def _remove_rows(values, weight, lines, first):
    part = slice(first, min(first + _BAND_ROWS, len(values)))
    line = np.empty(values.shape[1], dtype=np.float32)
    _remove_sky(values[part], weight[part], lines, first, len(values), line)


def smoothed_cells(plane: np.ndarray) -> np.ndarray:
    """Return the mean of 3 x 3 cells; beyond the edge the outermost are repeated."""
    padded = np.pad(plane.astype(np.float64), 1, mode="edge")
    my, mx = plane.shape
    parts = [padded[j : j + my, i : i + mx] for j in range(3) for i in range(3)]
    return np.asarray(sum(parts) / 9, dtype=np.float32)


@kernel
def _take_out(values, variances, mean, variance, share, rest, rest_variance):
    """Take a sub out of a weighted mean; one array is written at a time, for vectors."""
    for y in range(rest.shape[0]):
        _mean_without(values[y], mean[y], share[y], rest[y])
        _variance_without(variances[y], variance[y], share[y], rest_variance[y])


@kernel
def _mean_without(value, mean, share, rest):
    one, least, nothing = np.float32(1), np.float32(1 - _LARGEST_SHARE), np.float32(np.nan)
    for x in range(rest.size):
        w = share[x]
        left = one - w
        without = (mean[x] - w * value[x]) / left
        without = without if w > np.float32(0) else mean[x]
        rest[x] = without if left > least else nothing


@kernel
def _variance_without(variance, of_mean, share, rest):
    one, zero = np.float32(1), np.float32(0)
    for x in range(rest.size):
        w = share[x]
        left = one - w
        without = (of_mean[x] - w * w * variance[x]) / (left * left)
        without = without if w > zero else of_mean[x]
        rest[x] = without if without > zero else zero


@kernel
def _subtract(values, variances, stack_variance, masked, lit, of_sub, of_stack, difference, weight,
              light, full, lines):  # fmt: skip
    """Fill in rows, one array at a time, so that loops become vectors."""
    gain, saturation = of_sub
    nx = difference.shape[1]
    factor = lines[0]
    for y in range(difference.shape[0]):
        if y % BLOCK == 0:
            blocks = lit[y // BLOCK]
            for x in range(nx):
                factor[x] = of_stack[1] if blocks[x // BLOCK] else of_stack[0]
        _mark_full(values[y], light[y], saturation, full[y])
        _rest(values[y], light[y], masked[y], difference[y])
        _whole_variance(variances[y], difference[y], gain, lines[1])
        _inverse(lines[1], stack_variance[y], factor, weight[y])
        _hide_unknown(weight[y], difference[y])
        _without_gaps(light[y])


@kernel
def _mark_full(value, light, saturation, full):
    for x in range(full.size):
        full[x] = (value[x] > saturation) | (light[x] > saturation)


@kernel
def _rest(value, light, masked, rest):
    for x in range(rest.size):
        rest[x] = np.float32(np.nan) if masked[x] else value[x] - light[x]


@kernel
def _whole_variance(variance, rest, gain, own):
    """Variance of the photons that are expected, not of those that are there.

    Noise does not choose its own weight then, nor does a new source.
    """
    for x in range(own.size):
        expected, least = variance[x] - gain * rest[x], _LEAST_VARIANCE * variance[x]
        own[x] = expected if expected > least else least


@kernel
def _inverse(own, stack_variance, factor, weight):
    for x in range(weight.size):
        total = own[x] + factor[x] * stack_variance[x]
        weight[x] = np.float32(1) / total if total > np.float32(0) else np.float32(0)


@kernel
def _hide_unknown(weight, rest):
    for x in range(weight.size):
        known = (rest[x] == rest[x]) & (weight[x] > np.float32(0))
        rest[x] = rest[x] if known else np.float32(np.nan)
        weight[x] = weight[x] if known else np.float32(0)


@kernel
def _without_gaps(light):
    for x in range(light.size):
        light[x] = light[x] if light[x] == light[x] else np.float32(0)


@kernel
def _remove_sky(values, weight, lines, first, ny, line):
    cells = lines.shape[0]
    for y in range(values.shape[0]):
        v = min(max((first + y + 0.5) * cells / ny - 0.5, 0.0), cells - 1.0)
        j = int(v)
        mix(lines[j], lines[min(j + 1, cells - 1)], np.float32(v - j), line)
        _hide_unknown(weight[y], values[y])
        _subtract_known(line, values[y])


@kernel
def _subtract_known(line, values):
    for x in range(values.size):
        rest = values[x] - line[x]
        values[x] = rest if rest == rest else np.float32(0)
