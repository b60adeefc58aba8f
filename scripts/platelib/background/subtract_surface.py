"""Subtraction of a smooth surface from an image."""

import numpy as np

from platelib.background.surface import SkySurface
from platelib.numerics.kernels import kernel, read_only

_ROWS = 256


def subtract_surface(image: np.ndarray, surface: SkySurface, first_row: int = 0) -> None:
    """Subtract a surface less its mean from rows of an image, in place.

    Parameters
    ----------
    image : numpy.ndarray
        ``(rows, nx)`` float32.
    surface : SkySurface
        Of the whole image.
    first_row : int
        Place of the rows in the image.
    """
    across, along_x = surface.lattice.taps(np.arange(surface.lattice.shape[1]))
    for start in range(0, len(image), _ROWS):
        part = image[start : start + _ROWS]
        y = np.arange(first_row + start, first_row + start + len(part))
        down, along_y = surface.lattice.taps(y)
        lines = sum(along_y[k][:, None] * surface.values[down + k] for k in range(4))
        _subtract(part, read_only(lines), read_only(across), read_only(along_x), surface.level)


@kernel
def _subtract(image, lines, first, weights, level):
    for y in range(image.shape[0]):
        row, line = image[y], lines[y]
        for x in range(row.size):
            k = first[x]
            value = weights[0, x] * line[k]
            value += weights[1, x] * line[k + 1]
            value += weights[2, x] * line[k + 2]
            value += weights[3, x] * line[k + 3]
            row[x] -= np.float32(value - level)


def warm_up() -> None:
    """Compile the kernel of this module."""
    lines, weights = np.zeros((1, 4)), np.zeros((4, 1))
    first = read_only(np.zeros(1, dtype=np.intp))
    _subtract(np.zeros((1, 1), np.float32), read_only(lines), first, read_only(weights), 0.0)
