import numpy as np
import pytest

from platelib.numerics import aligned


@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.float32, np.float64])
@pytest.mark.parametrize("shape", [(1,), (3, 16), (5, 7, 2)])
def test_arrays_begin_a_line(shape, dtype):
    """An array of any kind begins a line, can be written, and shares nothing with another."""
    one, other = aligned.empty(shape, dtype), aligned.empty(shape, dtype)
    assert one.shape == shape and one.dtype == dtype and one.flags.c_contiguous
    assert one.ctypes.data % aligned.LINE_BYTES == 0
    one[...], other[...] = 1, 2
    assert np.all(one == 1) and np.all(other == 2)


def test_empty_arrays_are_arrays():
    """Where there is nothing to be aligned, there is an array of the shape asked for."""
    assert aligned.empty((0, 4), np.float32).shape == (0, 4)


def test_zeros_of_kernels_begin_a_line():
    """However many are asked for at a time, they are zeros, begin a line and do not overlap."""
    arrays = [aligned.zeros(2, columns) for columns in (1, 16, 1104)]
    for number, array in enumerate(arrays, 1):
        assert array.ctypes.data % aligned.LINE_BYTES == 0
        assert array.dtype == np.float32 and not array.any()
        array[...] = number
    assert [np.unique(array).tolist() for array in arrays] == [[1], [2], [3]]
