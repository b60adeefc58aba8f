import numpy as np
import pytest

from platelib.cosmic_rays.boxes import ROOM, STRIDE
from platelib.cosmic_rays.separable_median import (
    median_5x5,
    median_7x7,
    median_9x9,
    median_of_5,
    median_of_7,
    median_of_9,
)


@pytest.mark.parametrize(("median", "n"), [(median_of_5, 5), (median_of_7, 7), (median_of_9, 9)])
def test_medians_are_those_of_numpy(median, n):
    """Every pattern of small and large values, and of ties, has the median that numpy finds."""
    # By the zero-one principle a network of comparators that is right for 0 and 1 is right.
    for number in range(2**n):
        values = np.array([number >> k & 1 for k in range(n)], dtype=np.float32)
        assert median(*values) == np.median(values)
    rng = np.random.default_rng(n)
    for values in rng.normal(size=(200, n)).astype(np.float32):
        assert median(*values) == np.median(values)


@pytest.mark.parametrize(("filtered", "n"), [(median_5x5, 5), (median_7x7, 7), (median_9x9, 9)])
def test_filters_take_medians_along_rows_then_along_columns(filtered, n):
    """An area is filled with the columns' median of the rows' medians; the rest stays."""
    rng = np.random.default_rng(10 + n)
    source = rng.normal(size=ROOM).astype(np.float32)
    out, rows = np.full(ROOM, 7, dtype=np.float32), np.empty(ROOM, dtype=np.float32)
    filtered(source, (6, 17, 5, 44), rows, out)
    window = np.lib.stride_tricks.sliding_window_view
    along_rows = np.median(window(source.reshape(-1, STRIDE), n, axis=1), axis=2)
    wanted = np.median(window(along_rows, n, axis=0), axis=2)
    found, half = out.reshape(-1, STRIDE), n // 2
    np.testing.assert_array_equal(
        found[6:17, 5:44], wanted[6 - half : 17 - half, 5 - half : 44 - half]
    )
    assert np.count_nonzero(out != 7) == 11 * 39
