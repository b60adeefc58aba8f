"""Images made smaller by averaging squares of pixels with and without data."""

import numpy as np
import pytest

from platelib.blink.square_means import square_means


@pytest.mark.parametrize("factor", [2, 3, 5])
def test_squares_are_means_of_pixels_with_data(factor):
    """As a slow loop over squares; less than half of one gives NaN."""
    rng = np.random.default_rng(factor)
    image = rng.normal(5, 2, (34, 47)).astype(np.float32)
    image[rng.random(image.shape) < 0.3] = np.nan
    image[6:18, 20:33] = np.nan
    found = square_means(image, factor)
    assert found.shape == (34 // factor, 47 // factor)
    for j, row in enumerate(found):
        for i, value in enumerate(row):
            square = image[j * factor : (j + 1) * factor, i * factor : (i + 1) * factor]
            known = square[np.isfinite(square)].astype(float)
            if 2 * known.size < factor**2:
                assert np.isnan(value)
            else:
                assert value == pytest.approx(known.mean(), rel=1e-6)


def test_constant_in_constant_out():
    """A constant image stays so; with factor 1 any image stays as it is, bit for bit."""
    assert (square_means(np.full((20, 31), 7.25, np.float32), 4) == np.float32(7.25)).all()
    image = np.random.default_rng(1).normal(0, 1, (9, 14)).astype(np.float32)
    image[3, 4] = np.nan
    np.testing.assert_array_equal(square_means(image, 1), image)
