"""Arrays that are aligned with cache lines.

The widest vectors are as long as such a line, and a vector that lies across two of them takes
twice the time to load or to store. What the system hands out begins anywhere.
"""

import math

import numpy as np

from platelib.numerics.kernels import allocating_kernel

LINE_BYTES = 64
_FLOATS = LINE_BYTES // 4


def empty(shape: tuple[int, ...], dtype: type | np.dtype) -> np.ndarray:
    """Return an uninitialised array whose first element starts a cache line.

    Parameters
    ----------
    shape : tuple of int
        The following rows begin lines too if a row has a multiple of 64 bytes.
    dtype : type or numpy.dtype
        Of elements whose size divides 64.
    """
    size = math.prod(shape) * np.dtype(dtype).itemsize
    room = np.empty(size + LINE_BYTES, dtype=np.uint8)
    first = -room.ctypes.data % LINE_BYTES
    return room[first : first + size].view(dtype).reshape(shape)


@allocating_kernel
def zeros(rows, columns):
    """Return float32 zeros for kernels; the first element starts a cache line."""
    room = np.zeros(rows * columns + _FLOATS, dtype=np.float32)
    first = -(room.ctypes.data // room.itemsize) % _FLOATS
    return room[first : first + rows * columns].reshape(rows, columns)


def warm_up() -> None:
    """Compile the kernels of this module."""
    zeros(1, 1)
