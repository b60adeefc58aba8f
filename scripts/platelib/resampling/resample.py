"""Resampling of a calibrated sub onto the grid, in one pass, with its variance.

The kernel is that of :mod:`platelib.resampling.lanczos`. Its negative lobes ring beside anything
sharper than pixels can sample; such light is found in the raw frame
(:mod:`platelib.resampling.sharp_pixels`) and resampled by :mod:`platelib.resampling.flux_limiter`,
which keeps its sum.

Most subs differ from the reference by a shift and a slight turn: rows of the grid are then straight
lines along rows of the frame, which needs a third of the products. Which of the two ways a sub goes
depends on its mapping alone, so that tiles of any size fit together.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from platelib.numerics import aligned
from platelib.numerics.kernels import allocating_kernel, kernel
from platelib.numerics.transform import Transform, identity
from platelib.resampling.grid_rows import LONG_RUN, STEPS, fill_levels, turn_over
from platelib.resampling.kernel_arguments import Source, Tables, Tile, Workspace
from platelib.resampling.lanczos import CHUNK, POLYNOMIALS, terms_of
from platelib.resampling.resampling_affine import COLUMNS, follow_lines, room_for_lines
from platelib.resampling.resampling_general import look_at_each, room_for_each
from platelib.resampling.row_polynomials import row_polynomial
from platelib.resampling.sharp_pixels import (
    COLUMNS_BESIDE,
    ROWS_BESIDE,
    curvature_of_star,
    with_sharp,
)

_NOT_ASKED = np.zeros((0, 0), dtype=np.uint8)


@dataclass(frozen=True)
class Cutout:
    """Calibrated pixels of a part of a raw frame, bad ones interpolated.

    Attributes
    ----------
    values, variance : numpy.ndarray
        ``(m, n)`` float32.
    mask : numpy.ndarray
        ``(m, n)`` uint8; pixels with bit 1 are not used.
    first_row, first_column : int
        Where in the raw frame ``values[0, 0]`` lies.
    frame_shape : tuple of int
        ``(ny, nx)`` of the raw frame.
    curvature : float
        Of the stars, see `platelib.resampling.sharp_pixels.curvature_of_star`.
    """

    values: np.ndarray
    variance: np.ndarray
    mask: np.ndarray
    first_row: int
    first_column: int
    frame_shape: tuple[int, int]
    curvature: float = field(default_factory=lambda: curvature_of_star(math.nan))

    def turned(self) -> "Cutout":
        """Return the cutout with rows and columns exchanged."""
        v, n, m = (np.ascontiguousarray(p.T) for p in (self.values, self.variance, self.mask))
        shape, curvature = self.frame_shape[::-1], self.curvature
        return Cutout(v, n, m, self.first_column, self.first_row, shape, curvature)


@dataclass(frozen=True)
class Levels:
    """Photometric scale and sky of a sub relative to the others.

    Attributes
    ----------
    factor : float
        From calibrated units to those of the channel: flux scale over exposure.
    sky : numpy.ndarray
        Coefficients of the polynomial in grid coordinates to subtract after scaling, of
        degree 0, 1 or 2, in the normalisation of the transform.
    excess : float
        Factor of the variance: what the sky shows over what the detector model expects.
    """

    factor: float = 1.0
    sky: Sequence[float] | np.ndarray = (0.0,)
    excess: float = 1.0


AS_IT_IS = Levels()
"""Levels that change nothing."""


def source_window(
    transform: Transform, rows: tuple[int, int], columns: tuple[int, int]
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Part of the raw frame that decides on a tile of the grid, kernel included.

    Parameters
    ----------
    transform : Transform
    rows, columns : tuple of int
        First row of the tile on the grid and the one after its last; the same for columns.

    Returns
    -------
    rows, columns : tuple of int
        First of the raw frame and the one after the last; they may lie outside the frame.
    """
    place = (transform.degree, transform.centre_x, transform.centre_y, transform.scale)
    left, right = _range(transform.x, *place, *rows, *columns)
    top, bottom = _range(transform.y, *place, *rows, *columns)
    beside = (ROWS_BESIDE, COLUMNS_BESIDE)
    down, across = beside[::-1] if transform.exchanges_axes else beside
    return (
        (int(np.floor(top)) - down[0] - 1, int(np.ceil(bottom)) + down[1] + 2),
        (int(np.floor(left)) - across[0] - 1, int(np.ceil(right)) + across[1] + 2),
    )


@allocating_kernel
def _range(coefficients, degree, centre_x, centre_y, scale, top, bottom, left, right):
    """Lowest and highest value of a polynomial over some places of a tile."""
    row = np.empty(degree + 1)
    low, high = np.inf, -np.inf
    for j in range(5):
        y = top + 0.25 * j * (bottom - 1 - top)
        row_polynomial(coefficients, degree, (y - centre_y) / scale, row)
        for i in range(9):
            u = (left + 0.125 * i * (right - 1 - left) - centre_x) / scale
            value = row[degree]
            for k in range(degree - 1, -1, -1):
                value = value * u + row[k]
            low, high = min(low, value), max(high, value)
    return low, high


def resample(
    source: Cutout,
    transform: Transform,
    rows: tuple[int, int],
    columns: tuple[int, int],
    levels: Levels = AS_IT_IS,
    out: tuple[np.ndarray, np.ndarray] | None = None,
    missing: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Sample a tile of the grid from a part of a raw frame, and level it.

    Parameters
    ----------
    source : Cutout
        At least what :func:`source_window` says, as far as the frame has it.
    transform : Transform
        Grid to raw pixels.
    rows, columns : tuple of int
        First row of the tile on the grid and the one after its last; the same for columns.
    levels : Levels, optional
        Scale and sky.
    out : tuple of numpy.ndarray, optional
        Where the result goes, both of the shape of the tile and float32.
    missing : numpy.ndarray, optional
        Uint8 of the shape of the tile, to be set to 1 where the result is NaN, to
        `platelib.numerics.mask_bits.SPIKE` beside a pixel that is sharper than stars, and to 0
        elsewhere.

    Returns
    -------
    values, variances : numpy.ndarray
        ``(rows[1] - rows[0], columns[1] - columns[0])`` float32; NaN outside the frame and where
        one of the four nearest pixels is bad. Near its edge the outermost pixels count as repeated.
        Variances are ``sum w^2 v``: neighbouring pixels of the result are correlated, see
        :func:`correlation_factor`.
    """
    if out is None:
        shape = (rows[1] - rows[0], columns[1] - columns[0])
        out = (np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32))
    values, variances = out
    x, y = transform.x, transform.y
    if transform.exchanges_axes:
        source = source.turned()
        x, y = y, x
    along_rows = max(abs(y[1]), abs(abs(x[1]) - transform.scale)) * LONG_RUN <= transform.scale
    steps = STEPS[1 if along_rows else 0]
    frame = (source.first_row, source.first_column, *source.frame_shape)
    mask = with_sharp(source.values, source.variance, source.mask, source.curvature)
    where = (
        Source(source.values, source.variance, mask, *frame),
        (x, y, transform.degree, transform.centre_x, transform.centre_y, transform.scale),
        (rows[0], columns[0]),
    )
    brought_to = (
        np.float32(levels.factor),
        np.float32(levels.factor**2 * levels.excess),
        np.asarray(levels.sky, dtype=np.float64),
        {1: 0, 3: 1, 6: 2}[len(levels.sky)],
    )
    _resample(
        *where,
        along_rows and transform.degree == 1,
        Tables(POLYNOMIALS, steps, COLUMNS),
        brought_to,
        Tile(values, variances, _NOT_ASKED if missing is None else missing),
    )
    return values, variances


@allocating_kernel
def _resample(source, mapping, corner, is_straight, tables, levels, tile):
    """Make room for `_resample_rows`, and do it."""
    degree, sky_degree = mapping[2], levels[3]
    polynomials = (
        np.empty((2, degree + 1)),
        np.empty(sky_degree + 1),
        np.empty(max(degree, sky_degree) + 1),
    )
    chunk = (  # levels, marks, backward lines
        aligned.zeros(1, CHUNK)[0],
        np.empty(CHUNK, dtype=np.uint8),
        aligned.zeros(2, CHUNK),
    )
    room = Workspace(polynomials, chunk, room_for_lines(), room_for_each(not is_straight))
    _resample_rows(source, mapping, corner, is_straight, tables, levels, tile, room)


@kernel
def _resample_rows(source, mapping, corner, is_straight, tables, levels, tile, room):
    """Sample row by row, a chunk at a time."""
    cx, cy, degree, centre_x, centre_y, scale = mapping
    gain, square, sky, sky_degree = levels
    rows, sky_row, local = room.polynomials
    level, spare, line = room.chunk
    values, variances, missing = tile
    terms, steps = terms_of(tables.polynomials), tables.steps
    (top, left), (ny, nx) = corner, values.shape
    backward = cx[1] < 0
    for r in range(ny):
        v = (top + r - centre_y) / scale
        row_polynomial(cx, degree, v, rows[0])
        row_polynomial(cy, degree, v, rows[1])
        row_polynomial(sky, sky_degree, v, sky_row)
        for begin in range(left, left + nx, CHUNK):
            count = min(CHUNK, left + nx - begin)
            place = (begin, count, backward, steps, centre_x, scale)
            fill_levels(sky_row, sky_degree, place, local, level)
            here = slice(begin - left, begin - left + count)
            target = line[0, :count] if backward else values[r, here]
            spread = line[1, :count] if backward else variances[r, here]
            marks = missing[r, here] if missing.size and not backward else spare[:count]
            brought_to, result = (gain, square, level[:count]), (target, spread, marks)
            if is_straight:
                follow_lines(
                    source,
                    rows,
                    place,
                    tables.columns,
                    terms,
                    local,
                    brought_to,
                    result,
                    room.lines,
                )
            else:
                look_at_each(
                    source,
                    rows,
                    degree,
                    place,
                    tables.polynomials,
                    local,
                    brought_to,
                    result,
                    room.each,
                )
            if backward:
                turn_over(target, values[r, here])
                turn_over(spread, variances[r, here])
                if missing.size:
                    turn_over(marks, missing[r, here])


def warm_up() -> None:
    """Compile the kernels of this module, and of those that it calls."""
    image = np.ones((16, 20), dtype=np.float32)
    mask = np.zeros(image.shape, dtype=np.uint8)
    source = Cutout(image, image, mask, 0, 0, image.shape)
    straight = identity(image.shape)
    smaller = replace(straight, x=0.7 * straight.x, y=0.7 * straight.y)
    source_window(straight, (0, 16), (0, 20))
    for transform in (straight, smaller):
        resample(source, transform, (0, 16), (0, 20))
