"""All steps from a sub and a stack to the statistic of their difference."""

import math
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from platelib.detection.peaks import limit_lines
from platelib.differences.difference import (
    Difference,
    NoiseFactors,
    SubAndStack,
    smoothed_cells,
    subtract,
)
from platelib.differences.predicted_light import BLOCK, lit_blocks
from platelib.differences.resampled_noise import mean_correlation, noise_factor
from platelib.differences.residue import (
    Residue,
    apply_residue,
    measure_residue,
)
from platelib.differences.star_image import StarImage
from platelib.differences.star_matching import match_star_images
from platelib.differences.statistic import Statistic, filter_light, filter_rows, filters_of
from platelib.differences.varying_kernel import VaryingKernel
from platelib.numerics.kernels import kernel, read_only
from platelib.numerics.workspace import Room

_BAND_ROWS = 128
_CELL_PX = 128
_GROW_FWHM, _GROW_PX = 1.0, 2.0
_LEAST_INFORMATION = 0.7
"""Share of the usual information that places need to tell the scatter."""
_FEWEST_PIXELS = 2000
_SCATTERS = np.linspace(3.0, 0.3, 271)
_SHARES = np.array([math.erf(1 / (scatter * math.sqrt(2))) for scatter in _SCATTERS])
"""Scatters of normal values, and the shares of them that lie within 1 of zero. A share is told by
single detections or residues as little as a median is, with a third of its error."""


@dataclass(frozen=True)
class Compared:
    """The difference of a sub and what it shows.

    Attributes
    ----------
    difference : Difference
    statistic : Statistic
        With unit scatter over the sky.
    light : numpy.ndarray
        ``(ny, nx)`` float32: the statistic's signal of the predicted light, where there is any.
    residue : Residue
    noise : float
        Noise of the filter over that of independent pixels of these variances, in most cells.
    scatter : float
        The same over what resampling makes of it: 1 if the variances are right.
    usual : float
        Median of the statistic's information.
    lit : numpy.ndarray
        Blocks with light of the reference.
    """

    difference: Difference
    statistic: Statistic
    light: np.ndarray
    residue: Residue
    noise: float
    scatter: float
    usual: float
    lit: np.ndarray


def compare_with_stack(
    both: SubAndStack,
    matching: VaryingKernel,
    image: StarImage,
    lit: np.ndarray,
    correlation: tuple[np.ndarray, np.ndarray],
    fwhm_px: float,
    threads: int = 1,
    room: Room | None = None,
) -> Compared:
    """Return the filtered difference of a sub and the stack of the other subs.

    Parameters
    ----------
    both : SubAndStack
    matching : VaryingKernel
    image : StarImage
        Of the sub.
    lit : numpy.ndarray
        From `platelib.differences.predicted_light.lit_blocks`.
    correlation : tuple of numpy.ndarray
        Of the pixels of the sub, from `platelib.differences.resampled_noise.sub_correlation`.
    fwhm_px : float
        Width of the stars of the sub.
    threads : int
        It changes no bit.
    room : Room, optional
        Memory of the result, which the next call with it overwrites. To touch new memory costs more
        time than the arithmetic.

    Returns
    -------
    Compared
    """
    room = room or Room()
    filters = filters_of(image, fwhm_px, both.shape)
    factors = noise_factors(filters.image(), correlation, matching)
    grow_px = _GROW_FWHM * fwhm_px + _GROW_PX
    difference = subtract(both, matching, lit, factors, grow_px, threads, room)
    sums = room.plane("sums", (2, *both.shape), np.float32)
    of_thread = threading.local()

    def fill(first: int) -> None:
        if not hasattr(of_thread, "room"):
            of_thread.room = Room()
        rows = first, min(first + _BAND_ROWS, both.shape[0])
        planes = difference.values, difference.weight
        filter_rows(*planes, filters, rows, (sums[0], sums[1]), of_thread.room)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(fill, range(0, both.shape[0], _BAND_ROWS)))
    statistic = Statistic(sums[0], sums[1])
    light = filter_light(difference.light, difference.weight, filters, lit, room)
    noise = _normalise(statistic, lit, threads)
    usual = float(np.median(statistic.information[:: BLOCK // 2, :: BLOCK // 2]))
    residue = measure_residue(statistic, light, lit, fwhm_px)
    apply_residue(statistic, light, lit, residue, fwhm_px)
    scatter = float(f"{noise / np.sqrt(factors.sub):.4g}")
    return Compared(difference, statistic, light, residue, noise, scatter, usual, lit)


def noise_factors(
    weights: np.ndarray, correlation: tuple[np.ndarray, np.ndarray], matching: VaryingKernel
) -> NoiseFactors:
    """Return the noise of a filter on the pixels of a sub and of a stack of many.

    Parameters
    ----------
    weights : numpy.ndarray
        ``(side, side)`` float64: the filter.
    correlation : tuple of numpy.ndarray
        Of the pixels of the sub.
    matching : VaryingKernel
    """
    ny, nx = matching.shape
    taps = matching.taps(np.array([nx / 2]), np.array([ny / 2]))[0].astype(np.float64)
    mean = mean_correlation()
    return NoiseFactors(
        noise_factor(weights, correlation),
        noise_factor(weights, mean),
        noise_factor(weights, mean, taps),
    )


def _normalise(statistic: Statistic, lit: np.ndarray, threads: int) -> float:
    """Bring the scatter of the signal-to-noise over the sky to 1, in place; return what it was.

    The noise model gives the mean scatter over the field. The scatter still varies from cell to
    cell: with subpixel phases where a sub is rotated, and with noise outside the detector model.
    """
    ny, nx = statistic.signal.shape
    usual = np.median(statistic.information[:: BLOCK // 2, :: BLOCK // 2])
    shape = max(1, ny // _CELL_PX), max(1, nx // _CELL_PX)
    counts = np.zeros((2, *shape), dtype=np.int64)
    planes = read_only(statistic.signal), read_only(statistic.information)
    least = np.float32(_LEAST_INFORMATION * usual)
    _count_small(*planes, read_only(lit.view(np.uint8)), least, counts)
    known = counts[1] >= _FEWEST_PIXELS
    share = np.where(known, counts[0] / np.maximum(counts[1], 1), 0.0)
    cells = np.interp(share, _SHARES, _SCATTERS)
    typical = float(np.median(cells[known])) if known.any() else 1.0
    cells = np.where(known, cells, typical)
    cells = np.clip(smoothed_cells(cells), 0.5 * typical, 2.0 * typical)
    lines = read_only(limit_lines((1.0 / cells**2).astype(np.float32), nx)[0])

    def scale(first: int) -> None:
        part = slice(first, min(first + _BAND_ROWS, ny))
        planes = statistic.signal[part], statistic.information[part]
        _scale(*planes, lines, first, ny)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(scale, range(0, ny, _BAND_ROWS)))
    return typical


@kernel
def _count_small(signal, information, lit, least, counts):
    """Count the places of each cell that show the sky, and those within a sigma of zero."""
    ny, nx = signal.shape
    for y in range(ny):
        j = min(y * counts.shape[1] // ny, counts.shape[1] - 1)
        blocks, one, other = lit[y // BLOCK], signal[y], information[y]
        for i in range(counts.shape[2]):
            first, last = i * nx // counts.shape[2], (i + 1) * nx // counts.shape[2]
            for left in range(first // BLOCK * BLOCK, last, BLOCK):
                if not blocks[left // BLOCK]:
                    part = slice(max(left, first), min(left + BLOCK, last))
                    small, known = _count(one[part], other[part], least)
                    counts[0, j, i] += small
                    counts[1, j, i] += known


@kernel
def _count(signal, information, least):
    small, known = 0, 0
    for x in range(signal.size):
        there = information[x] > least
        known += there
        small += there & (signal[x] * signal[x] < information[x])
    return small, known


@kernel
def _scale(signal, information, lines, first, ny):
    cells = lines.shape[0]
    for y in range(signal.shape[0]):
        v = min(max((first + y + 0.5) * cells / ny - 0.5, 0.0), cells - 1.0)
        j = int(v)
        share = np.float32(v - j)
        upper, lower = lines[j], lines[min(j + 1, cells - 1)]
        one, other = signal[y], information[y]
        for x in range(one.size):
            factor = upper[x] + share * (lower[x] - upper[x])
            one[x] *= factor
            other[x] *= factor


def warm_up() -> None:
    """Compile the kernels of this package that work on whole images."""
    rng = np.random.default_rng(1)
    shape = (96, 112)
    y, x = np.indices(shape)
    image = rng.normal(0, 1, shape).astype(np.float32)
    for k in range(8):
        star = np.exp(-((x - 30 - 7 * k) ** 2 + (y - 40) ** 2) / 4)
        image += (2000 * star).astype(np.float32)
    unit = np.ones(shape, dtype=np.float32)
    image[0, 0], image[80, 90] = np.nan, 9000.0
    both = SubAndStack(image, unit, image, 0.1 * unit, 0.1 * unit, 0.0, 8000.0)
    places = np.array([(30.0 + 7 * k, 40.0) for k in range(8)])
    for widths in ((3.0, 2.0), (2.0, 3.0)):
        star_image, matching = match_star_images(both, places, widths)
    lit = lit_blocks(image, 1.0, 3)
    compare_with_stack(both, matching, star_image, lit, mean_correlation(), 3.0)
