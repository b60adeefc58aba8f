"""Unsigned 16-bit data as they lie in a FITS file: big-endian words, less 32768."""

import numpy as np

from platelib.numerics.kernels import kernel, read_only

FITS_WORDS = np.dtype(">i2")
WORDS_ZERO = 32768.0
"""What is added to each word (BZERO)."""


@kernel
def in_order(word):
    """Return a word, read as uint16, with its two bytes exchanged."""
    return np.uint16((word >> np.uint16(8)) | (word << np.uint16(8)))


@kernel
def count_of(word):
    """Convert a word, read as uint16, to its count."""
    return np.uint16(in_order(word) ^ np.uint16(0x8000))


@kernel
def put_in_order(words, values):
    """Copy ``(ny, nx)`` words, read as uint16, to int16."""
    for y in range(words.shape[0]):
        row, out = words[y], values[y]
        for x in range(row.size):
            out[x] = np.int16(in_order(row[x]))


def warm_up() -> None:
    """Compile the kernels of this module."""
    words = read_only(np.ones((4, 4), dtype=np.uint16))
    for picked in (words, words[::2]):
        put_in_order(picked, np.empty(picked.shape, dtype=np.int16))
