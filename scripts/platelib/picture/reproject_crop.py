"""Rotation, scale and crop of a picture: from the grid to its own pixels.

Planes are sampled once, in linear light. A transform leads from a pixel of the picture to the place
on the grid, as those of subs do; a picture that is smaller than the grid averages whole blocks of
samples, so that no detail finer than its pixels is folded into it.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from platelib.numerics.pieces import pieces_of
from platelib.numerics.transform import Transform, basis, least_squares, normalisation
from platelib.registration.common_coverage import clear_rectangle

_STRIP_ROWS = 256
_LATTICE = 13
_DIGITS = 9
Places = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
"""From x and y of a picture to x and y of the grid, 0-based pixels."""


@dataclass(frozen=True)
class Sampling:
    """The sampling of picture pixels from the grid.

    Attributes
    ----------
    shape : tuple of int
        ``(ny, nx)`` of the picture.
    block : int
        Samples along the side of a pixel.
    transform : Transform
        From samples, counted as ``block`` a pixel, to the grid.
    """

    shape: tuple[int, int]
    block: int
    transform: Transform


def linear_part(sampling: Sampling) -> tuple[np.ndarray, np.ndarray]:
    """Return matrix and shift from grid pixels to picture pixels, 0-based.

    Returns
    -------
    matrix : numpy.ndarray
        ``(2, 2)``.
    shift : numpy.ndarray
        ``(2,)``: picture = matrix @ grid + shift, exact at the centre where the transform bends.
    """
    t, block = sampling.transform, sampling.block
    (a, b), (c, d) = np.array([t.x[1:3], t.y[1:3]]) / t.scale
    inverse = np.array([[d, -b], [-c, a]]) / (a * d - b * c)
    there = inverse[:, 0] * t.x[0] + inverse[:, 1] * t.y[0]
    shift = np.array([t.centre_x, t.centre_y]) - there
    return inverse / block, (shift - (block - 1) / 2) / block


def scaled(shape: tuple[int, int], scale: float) -> Sampling:
    """Return the sampling of a picture with ``scale`` pixels per grid pixel.

    Parameters
    ----------
    shape : tuple of int
        ``(ny, nx)`` of the grid.
    scale : float
        Above 0.
    """
    smaller = (max(1, round(shape[0] * scale)), max(1, round(shape[1] * scale)))
    block = _block(scale)
    fine = (smaller[0] * block, smaller[1] * block)
    cx, cy, half = normalisation(fine)
    step = half / (block * scale)
    x = np.array([(shape[1] - 1) / 2, step, 0.0])
    y = np.array([(shape[0] - 1) / 2, 0.0, step])
    return Sampling(smaller, block, Transform(1, cx, cy, half, x, y))


def fitted(shape: tuple[int, int], scale: float, places: Places, degree: int) -> Sampling:
    """Return the sampling of a picture from a function that maps it to the grid.

    Parameters
    ----------
    shape : tuple of int
        ``(ny, nx)`` of the picture.
    scale : float
        Its pixels where the grid has one, along a line.
    places : callable
        From pixels of the picture to those of the grid.
    degree : int
        Of the polynomial that stands for the function.
    """
    block = _block(scale)
    fine = (shape[0] * block, shape[1] * block)
    cx, cy, half = normalisation(fine)
    steps = np.linspace(-1, 1, _LATTICE)
    u, v = (values.ravel() for values in np.meshgrid(steps, steps))
    u, v = u * fine[1] / (2 * half), v * fine[0] / (2 * half)
    x, y = ((value * half + c + 0.5) / block - 0.5 for value, c in ((u, cx), (v, cy)))
    target = np.stack(places(x, y))
    found = least_squares(basis(u, v, degree), target, np.ones(u.size))
    # A billionth of a pixel: far below any error, far above differences between processors.
    return Sampling(shape, block, Transform(degree, cx, cy, half, *np.round(found, _DIGITS)))


def _block(scale: float) -> int:
    return max(1, int(np.ceil(1 / scale - 1e-9)))


def sample(planes: np.ndarray, sampling: Sampling) -> np.ndarray:
    """Sample planes for a picture, with the kernel that subs are sampled with.

    Parameters
    ----------
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, linear, NaN for no data.
    sampling : Sampling

    Returns
    -------
    numpy.ndarray
        ``(n, my, mx)`` float32; NaN where there are no data.
    """
    from platelib.numerics.mask_bits import BAD
    from platelib.resampling.resample import Cutout, resample  # compiled kernels

    ny, nx = sampling.shape
    block = sampling.block
    result = np.empty((len(planes), ny, nx), dtype=np.float32)
    for plane, out in zip(planes, result, strict=True):
        known = np.isfinite(plane)
        level = np.float32(np.median(plane[known])) if known.any() else np.float32(0)
        values = np.where(known, plane, level).astype(np.float32)
        mask = np.where(known, 0, BAD).astype(np.uint8)
        source = Cutout(values, np.zeros_like(values), mask, 0, 0, plane.shape)
        for start in range(0, ny, _STRIP_ROWS):
            rows = (start, min(start + _STRIP_ROWS, ny))
            fine, _ = resample(
                source,
                sampling.transform,
                (rows[0] * block, rows[1] * block),
                (0, nx * block),
            )
            out[rows[0] : rows[1]] = _averaged(fine, block)
    return result


def _averaged(fine: np.ndarray, block: int) -> np.ndarray:
    if block == 1:
        return fine
    ny, nx = (size // block for size in fine.shape)
    cells = fine.reshape(ny, block, nx, block)
    total = np.zeros((ny, nx), dtype=np.float64)
    for row in range(block):
        for column in range(block):
            total += cells[:, row, :, column]
    return (total / block**2).astype(np.float32)


def covered_part(missing: np.ndarray, beyond: np.ndarray | None = None) -> tuple[slice, slice]:
    """Return the rows and columns that are covered.

    Parameters
    ----------
    missing : numpy.ndarray
        ``(ny, nx)`` bool: no data in some plane. Gaps that do not reach the edge of the picture
        count as covered.
    beyond : numpy.ndarray, optional
        ``(ny, nx)`` bool: further pixels that are not wanted.

    Returns
    -------
    rows, columns : slice
        As from `platelib.registration.common_coverage.clear_rectangle`; all of the picture if no
        part of it is covered.
    """
    ny, nx = missing.shape
    pieces = pieces_of(np.ascontiguousarray(missing))
    rows, columns = pieces.boxes[:, :2], pieces.boxes[:, 2:]
    at_edge = (rows[:, 0] == 0) | (columns[:, 0] == 0)
    at_edge |= (rows[:, 1] == ny) | (columns[:, 1] == nx)
    outside = np.zeros(missing.shape, dtype=bool)
    pieces.grown(np.where(at_edge, 0.0, -1.0), outside)
    if beyond is not None:
        outside |= beyond
    return clear_rectangle(outside) or (slice(0, ny), slice(0, nx))


def beyond_part(
    shape: tuple[int, int],
    part: tuple[slice, slice],
    matrix: np.ndarray,
    shift: np.ndarray,
) -> np.ndarray:
    """Return the pixels of a picture that lie beyond a part of the grid.

    Parameters
    ----------
    shape : tuple of int
        ``(ny, nx)`` of the picture.
    part : tuple of slice
        Rows and columns of the grid.
    matrix : numpy.ndarray
        ``(2, 2)``, from grid pixels to picture pixels, 0-based, as from `linear_part`.
    shift : numpy.ndarray
        ``(2,)``.

    Returns
    -------
    numpy.ndarray
        ``(ny, nx)`` bool.
    """
    ny, nx = shape
    (a, b), (c, d) = np.array(matrix, dtype=np.float64)
    det = a * d - b * c
    rows, columns = part
    u = np.arange(nx) - shift[0]
    beyond = np.empty(shape, dtype=bool)
    for row in range(ny):
        v = row - shift[1]
        # Rounded far above the errors of arithmetic, so that a border is nobody's last bit.
        x, y = np.round((d * u - b * v) / det, 6), np.round((a * v - c * u) / det, 6)
        inside = (x >= columns.start - 0.5) & (x <= columns.stop - 0.5)
        inside &= (y >= rows.start - 0.5) & (y <= rows.stop - 0.5)
        beyond[row] = ~inside
    return beyond
