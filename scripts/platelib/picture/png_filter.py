"""PNG filters: differences of each byte from a prediction by its neighbours.

References
----------
PNG, ISO/IEC 15948:2004, section 9: filters, and the choice of the one whose absolute differences
have the smallest sum (section 12.8).
"""

import numpy as np

from platelib.numerics.kernels import kernel, read_only

_COLOURS = 3
_NONE, _SUB, _UP, _AVERAGE, _PAETH = range(5)
_FILTERS = (_SUB, _UP, _AVERAGE, _PAETH)
_SAMPLED = 16


def to_8_bits(pixels: np.ndarray) -> np.ndarray:
    """Round display values of 16 bits to 8 bits.

    Parameters
    ----------
    pixels : numpy.ndarray
        Uint16 of any shape.

    Returns
    -------
    numpy.ndarray
        Uint8.
    """
    result = np.empty(pixels.shape, dtype=np.uint8)
    _round(read_only(np.ascontiguousarray(pixels).reshape(-1)), result.reshape(-1))
    return result


def filtered(lines: np.ndarray, above: np.ndarray) -> np.ndarray:
    """Filter lines of a picture, all with the filter that suits a sample of them best.

    Parameters
    ----------
    lines : numpy.ndarray
        ``(n, 3 nx)`` uint8, from the top; three colours a pixel.
    above : numpy.ndarray
        ``(3 nx,)`` uint8: the line above the first; zeros at the top of the picture.

    Returns
    -------
    numpy.ndarray
        ``(n, 1 + 3 nx)`` uint8: number of the filter and bytes of each line, as PNG stores them.
    """
    lines, above = read_only(lines), read_only(above)
    result = np.empty((len(lines), lines.shape[1] + 1), dtype=np.uint8)
    sums = [_filter(lines, above, kind, _SAMPLED, result) for kind in _FILTERS]
    best = _FILTERS[int(np.argmin(sums))]
    _filter(lines, above, best, 1, result)
    return result


@kernel
def _round(pixels, result):
    for k in range(pixels.size):
        result[k] = np.uint8((np.uint32(pixels[k]) + np.uint32(128)) // np.uint32(257))


@kernel
def _paeth(left, up, corner):
    """Return the neighbour that is nearest to left + up - corner: section 9.4."""
    to_left, to_up = abs(up - corner), abs(left - corner)
    to_corner = abs(left + up - 2 * corner)
    if to_left <= to_up and to_left <= to_corner:
        return left
    return up if to_up <= to_corner else corner


@kernel
def _filter(lines, above, kind, step, result):
    """Filter every nth line; return the sum of the absolute differences, 0 for all lines."""
    total = 0
    for y in range(0, len(lines), step):
        line, out = lines[y], result[y, 1:]
        over = lines[y - 1] if y else above
        result[y, 0] = kind
        for x in range(min(_COLOURS, line.size)):
            up = np.int32(over[x])
            guess = np.int32(0) if kind == _SUB else up >> np.int32(kind == _AVERAGE)
            out[x] = np.int32(line[x]) - guess
        if kind == _SUB:
            for x in range(_COLOURS, line.size):
                out[x] = line[x] - line[x - _COLOURS]
        elif kind == _UP:
            for x in range(_COLOURS, line.size):
                out[x] = line[x] - over[x]
        elif kind == _AVERAGE:
            for x in range(_COLOURS, line.size):
                guess = (np.int32(line[x - _COLOURS]) + np.int32(over[x])) >> np.int32(1)
                out[x] = np.int32(line[x]) - guess
        else:
            for x in range(_COLOURS, line.size):
                left, up = np.int32(line[x - _COLOURS]), np.int32(over[x])
                out[x] = np.int32(line[x]) - _paeth(left, up, np.int32(over[x - _COLOURS]))
        if step > 1:
            for x in range(out.size):
                total += int(min(np.int64(out[x]), 256 - np.int64(out[x])))
    return total


def warm_up() -> None:
    """Compile the kernels of this module."""
    lines = to_8_bits(np.ones((1, 6), dtype=np.uint16))
    filtered(lines, lines[0])
