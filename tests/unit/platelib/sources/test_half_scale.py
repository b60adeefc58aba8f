import numpy as np

from platelib.sources.half_scale import half_scale


def test_squares_are_averaged_without_missing_pixels():
    """Mean and noise of each square are those of its pixels with data, at odd edges too."""
    rng = np.random.default_rng(4)
    shape = (31, 45)
    image = rng.normal(5, 2, shape).astype(np.float32)
    noise = rng.uniform(1, 2, shape).astype(np.float32)
    missing = rng.uniform(size=shape) < 0.4
    mean, spread, gone = half_scale(image, noise, missing)
    assert mean.shape == (16, 23)
    assert gone.any()
    for (row, column), is_gone in np.ndenumerate(gone):
        square = np.s_[2 * row : 2 * row + 2, 2 * column : 2 * column + 2]
        there = ~missing[square]
        assert is_gone == (not there.any())
        if is_gone:
            assert (mean[row, column], spread[row, column]) == (0, 1)
            continue
        values, sigmas = image[square][there], noise[square][there]
        np.testing.assert_allclose(mean[row, column], values.mean(), rtol=1e-5)
        expected = np.sqrt((sigmas**2).sum()) / there.sum()
        np.testing.assert_allclose(spread[row, column], expected, rtol=1e-5)
