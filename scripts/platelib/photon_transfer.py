"""Gain and read noise of a camera from pairs of flats and of biases.

The variance of the difference of two flats grows with their level by photon noise alone, since
everything fixed in the frame cancels: the photon transfer method (Janesick 2001, *Scientific
Charge-Coupled Devices*; Howell 2006, *Handbook of CCD Astronomy*, section 4.3).
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

_CELL = 64


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
    """The gain that is used, and why.

    Attributes
    ----------
    value : float
        Electrons per ADU; 0 = unknown.
    source : str
        ``"photon transfer"``, ``"equipment file"``, ``"header"`` or ``"unknown"``.
    remark : str
        A sentence where the sources disagree or none is there, else empty.
    """

    value: float
    source: str
    remark: str


def read_noise_adu(first: np.ndarray, second: np.ndarray) -> list[float]:
    """Read noise from two bias frames, cell by cell.

    Parameters
    ----------
    first, second : numpy.ndarray
        ``(ny, nx)`` float32, ADU.

    Returns
    -------
    list of float
        ``sd(B1 - B2) / sqrt(2)`` of each cell, ADU, with outliers beyond 4 sigma left out.
    """
    difference = first - second
    return [float(np.sqrt(_clipped_variance(difference[cell]) / 2)) for cell in _cells(first.shape)]


def gain_e_per_adu(first: np.ndarray, second: np.ndarray, read_noise: float) -> list[float]:
    """Gain from two flats of the same setting, cell by cell.

    Parameters
    ----------
    first, second : numpy.ndarray
        ``(ny, nx)`` float32, ADU, offset removed; their levels may differ.
    read_noise : float
        ADU.

    Returns
    -------
    list of float
        Electrons per ADU in each cell that has enough light. With ``r = m1 / m2`` the difference
        ``F1 - r F2`` has the variance ``m1 (1 + r) / gain + (1 + r^2) read_noise^2``.
    """
    gains = []
    for cell in _cells(first.shape):
        one, two = first[cell], second[cell]
        mean_one, mean_two = float(np.median(one)), float(np.median(two))
        if min(mean_one, mean_two) <= 10 * read_noise**2 or mean_two <= 0:
            continue
        ratio = mean_one / mean_two
        photons = _clipped_variance(one - ratio * two) - (1 + ratio**2) * read_noise**2
        if photons > 0:
            gains.append(mean_one * (1 + ratio) / photons)
    return gains


def summarise(values: list[float]) -> Estimate | None:
    """Median of cells with its standard error; None of fewer than three, which tell no error."""
    if len(values) < 3:
        return None
    centre = float(np.median(values))
    scatter = 1.482602218505602 * float(np.median(np.abs(np.asarray(values) - centre)))
    error = float(np.sqrt(np.pi / 2)) * scatter / np.sqrt(len(values))
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


def _cells(shape: tuple[int, int]) -> Iterator[tuple[slice, slice]]:
    """Cut the central three quarters of a frame into cells."""
    ny, nx = shape
    top, left = ny // 8, nx // 8
    size = min(_CELL, max(8, min(ny, nx) // 8))
    for y in range(top, ny - top - size + 1, size):
        for x in range(left, nx - left - size + 1, size):
            yield slice(y, y + size), slice(x, x + size)


def _clipped_variance(values: np.ndarray) -> float:
    """Variance without outliers beyond 4 sigma, corrected for nothing: they are too few."""
    flat = np.asarray(values, dtype=np.float64).ravel()
    distance = np.abs(flat - np.median(flat))
    # The median deviation of whole numbers comes in steps; the deviation of what it keeps does not.
    width = 1.482602218505602 * float(np.median(distance))
    kept = flat
    for _ in range(3):
        if width > 0:
            kept = flat[distance <= 4 * width]
        width = float(np.std(kept, ddof=1))
    return width**2
