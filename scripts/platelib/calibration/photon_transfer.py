"""Gain and read noise of a camera from pairs of flats and of biases.

The variance of the difference of two flats grows with their level by photon noise alone, since
everything fixed in the frame cancels: the photon transfer method (Janesick 2001, *Scientific
Charge-Coupled Devices*; Howell 2006, *Handbook of CCD Astronomy*, section 4.3).
"""

from dataclasses import dataclass

import numpy as np

from platelib.numerics.constants import MAD_TO_SIGMA, MEDIAN_ERROR
from platelib.numerics.kernels import allocating_kernel, kernel
from platelib.numerics.medians import mad_sigma
from platelib.numerics.order_statistics import median

SKY_NOISE = "sky noise"
"""Source of a gain that only the noise of the sky tells; values stay in ADU then."""
_CELL = 64
_BANDS = 4
_AROUND = 8
"""The outer eighth of a frame on each side is left out."""
_SOME = 7
"""One pixel of so many, in all columns, tells the level of a cell and a first guess at its
noise."""
_ROUNDS = 3


@dataclass(frozen=True)
class Estimate:
    """A measured quantity.

    Attributes
    ----------
    value : float
        Median over cells and pairs.
    error : float
        Its standard error, from the scatter of the pairs' cells.
    count : int
        Cells that took part.
    """

    value: float
    error: float
    count: int


@dataclass(frozen=True)
class GainChoice:
    """The gain in use and its origin.

    Attributes
    ----------
    value : float
        Electrons per ADU; 0 = unknown.
    source : str
        ``"photon transfer"``, ``"equipment file"``, ``"header"``, ``"sky noise"`` or
        ``"unknown"``.
    remark : str
        A sentence where the sources disagree or none is there, else empty.
    """

    value: float
    source: str
    remark: str


def bands(shape: tuple[int, int]) -> list[tuple[int, int]]:
    """Choose the rows of a frame that pairs are compared in.

    Parameters
    ----------
    shape : tuple of int
        ``(ny, nx)``.

    Returns
    -------
    list of (int, int)
        Start and stop of up to four bands, spread evenly over the middle three quarters, each a
        cell high: some hundred cells contain most of the information.
    """
    ny, nx = shape
    size = cell_size(ny, nx)
    top, bottom = ny // _AROUND, ny - ny // _AROUND
    count = max(1, min(_BANDS, (bottom - top) // size))
    starts = [top + k * (bottom - top - size) // max(count - 1, 1) for k in range(count)]
    return [(start, min(start + size, ny)) for start in starts]


def read_noise_adu(first: np.ndarray, second: np.ndarray) -> list[float]:
    """Read noise from two bias frames, cell by cell.

    Parameters
    ----------
    first, second : numpy.ndarray
        ``(ny, nx)`` float32, ADU: a band of each, see :func:`bands`.

    Returns
    -------
    list of float
        ``sd(B1 - B2) / sqrt(2)`` of each cell, ADU, with outliers beyond 4 sigma left out.
    """
    _, _, variances = _measure(first, second, scaled=False)
    return [float(noise) for noise in np.sqrt(variances / 2)]


def gain_e_per_adu(first: np.ndarray, second: np.ndarray, read_noise: float) -> list[float]:
    """Gain from two flats of the same setting, cell by cell.

    Parameters
    ----------
    first, second : numpy.ndarray
        ``(ny, nx)`` float32, ADU, offset removed: a band of each; their levels may differ.
    read_noise : float
        ADU.

    Returns
    -------
    list of float
        Electrons per ADU in each cell that has enough light. With ``r = m1 / m2`` the difference
        ``F1 - r F2`` has the variance ``m1 (1 + r) / gain + (1 + r^2) read_noise^2``.
    """
    gains = []
    for one, two, variance in zip(*_measure(first, second, scaled=True), strict=True):
        if min(one, two) <= max(10 * read_noise**2, 0):
            continue
        ratio = one / two
        photons = variance - (1 + ratio**2) * read_noise**2
        if photons > 0:
            gains.append(float(one * (1 + ratio) / photons))
    return gains


def summarise(values: list[float]) -> Estimate | None:
    """Return the median of cells with its standard error; None for fewer than three cells."""
    if len(values) < 3:
        return None
    centre = float(np.median(values))
    error = MEDIAN_ERROR * mad_sigma(values, centre) / np.sqrt(len(values))
    return Estimate(centre, float(error), len(values))


def choose_gain(
    measured: Estimate | None, equipment: float | None, header: float | None
) -> GainChoice:
    """Choose between the measured gain, the equipment file's and the header's, in this order.

    A measured gain counts only when its error is below 5 %. A header that differs from the choice
    by more than 15 % is reported: headers are wrong often enough (common practice, no source).
    """
    if measured is not None and measured.value > 0 and measured.error < 0.05 * measured.value:
        value, source = measured.value, "photon transfer"
    elif equipment:
        value, source = equipment, "equipment file"
    elif header:
        value, source = header, "header"
    else:
        return GainChoice(0.0, "unknown", "the gain is neither measured nor given: no photon noise")
    remark = ""
    if header and source != "header" and abs(header / value - 1) > 0.15:
        remark = f"the header says {header:.3g} e-/ADU, the {source} {value:.3g}"
    return GainChoice(float(f"{value:.6g}"), source, remark)


def cell_size(ny: int, nx: int) -> int:
    """Return the side of the cells in which a band of ``(ny, nx)`` pixels is compared, pixels."""
    return min(_CELL, max(8, nx // _AROUND), ny)


def _measure(first: np.ndarray, second: np.ndarray, scaled: bool) -> tuple[np.ndarray, ...]:
    """Levels of both frames and clipped variance of their difference, cell by cell.

    The cells fill the middle three quarters of the width. If ``scaled``, the levels are medians and
    the second frame is brought to the level of the first, else they are 1.
    """
    ny, nx = first.shape
    size, left = cell_size(ny, nx), nx // _AROUND
    shape = (ny // size, max(0, (nx - 2 * left) // size))
    results = tuple(np.empty(shape) for _ in range(3))
    middle = slice(left, left + shape[1] * size)
    _measure_cells(first[:, middle], second[:, middle], size, scaled, *results)
    return tuple(result.ravel() for result in results)


@allocating_kernel
def _measure_cells(first, second, size, scaled, ones, twos, variances):
    work = np.empty(size * size, dtype=np.float32)
    difference = np.empty((size, size), dtype=np.float32)
    sums = np.empty((3, size))
    for j in range(len(ones)):
        rows = slice(j * size, (j + 1) * size)
        for i in range(ones.shape[1]):
            here = slice(i * size, (i + 1) * size)
            one, two = first[rows, here], second[rows, here]
            ones[j, i] = _middle(one, work) if scaled else 1.0
            twos[j, i] = _middle(two, work) if scaled else 1.0
            ratio = np.float32(ones[j, i] / twos[j, i])
            for y in range(size):
                upper, lower, out = one[y], two[y], difference[y]
                for x in range(size):
                    out[x] = upper[x] - ratio * lower[x]
            variances[j, i] = _clipped_variance(difference, work, sums)


@kernel
def _middle(cell, work):
    """Median of some pixels of a cell."""
    return median(work, _some(cell, work))


@kernel
def _some(cell, work):
    """Copy every ``_SOME``-th pixel of a full cell, all of a smaller one; count them."""
    ny, nx = cell.shape
    count = 0
    for k in range(0, ny * nx, _SOME if nx == _CELL else 1):
        work[count] = cell[k // nx, k % nx]
        count += 1
    return count


@kernel
def _clipped_variance(cell, work, sums):
    """Variance without outliers beyond 4 sigma, corrected for nothing: they are too few.

    Median and median deviation of some pixels are where the clipping starts from.
    """
    count = _some(cell, work)
    centre = np.float32(median(work, count))
    count = _some(cell, work)
    for k in range(count):
        work[k] = abs(work[k] - centre)
    # The median deviation of whole numbers comes in steps; the deviation of what it keeps does not.
    width = MAD_TO_SIGMA * median(work, count)
    number, total, square = sums[0], sums[1], sums[2]
    limit = np.inf
    for _ in range(_ROUNDS):
        limit = 4 * width if width > 0 else limit
        number[:] = total[:] = square[:] = 0.0
        for y in range(len(cell)):
            row = cell[y]
            for x in range(row.size):
                deviation = float(row[x] - centre)
                kept = abs(deviation) <= limit
                number[x] += 1.0 if kept else 0.0
                total[x] += deviation if kept else 0.0
                square[x] += deviation * deviation if kept else 0.0
        kept, mean = number.sum(), total.sum()
        width = np.sqrt(max(square.sum() - mean * mean / kept, 0.0) / (kept - 1.0))
    return width * width


def warm_up() -> None:
    """Compile the kernels of this module."""
    ones = np.ones((9, 12), dtype=np.float32)
    read_noise_adu(ones, ones)
    gain_e_per_adu(ones, ones, 0.0)
