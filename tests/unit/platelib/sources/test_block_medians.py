import numpy as np

from platelib.numerics.constants import MEDIAN_ERROR
from platelib.sources.block_medians import block_medians


def test_medians_are_those_of_pixels_that_count():
    """Each square has the lower median of its pixels, with the error of that many of them."""
    rng = np.random.default_rng(6)
    ny, nx, side = 38, 53, 5
    image = rng.normal(size=(ny, nx)).astype(np.float32)
    noise = np.repeat(np.repeat(rng.uniform(1, 2, (8, 11)), side, 0), side, 1)
    noise = noise[:ny, :nx].astype(np.float32)
    hidden = rng.uniform(size=(ny, nx)) < np.linspace(0, 1, nx)
    middle, spread, missing = block_medians(image, noise, hidden, side, 0.3)
    assert middle.shape == (7, 10)
    assert missing.any() and not missing.all()
    for (row, column), is_missing in np.ndenumerate(missing):
        square = np.s_[row * side : (row + 1) * side, column * side : (column + 1) * side]
        values = np.sort(image[square][~hidden[square]])
        assert is_missing == (values.size < 0.3 * side**2)
        if is_missing:
            assert middle[row, column] == 0
            continue
        assert middle[row, column] == values[(values.size - 1) // 2]
        expected = MEDIAN_ERROR * noise[square][0, 0] / np.sqrt(values.size)
        np.testing.assert_allclose(spread[row, column], expected, rtol=1e-6)
