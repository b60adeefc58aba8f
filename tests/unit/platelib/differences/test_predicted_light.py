import numpy as np
from scipy.ndimage import correlate

from platelib.differences.predicted_light import lit_blocks, predict_light, runs_of
from platelib.differences.varying_kernel import VaryingKernel


def _kernel(shape, radius=3):
    """A kernel of a point and a dipole whose factors change along x."""
    step = np.arange(-radius, radius + 1)
    wide = np.exp(-(step**2 + step[:, None] ** 2) / 4.0)
    point = np.zeros_like(wide)
    point[radius, radius] = 1.0
    basis = np.stack([wide / wide.sum(), point - wide / wide.sum(), wide * step])
    return VaryingKernel(
        basis, np.array([1.1]), np.array([[0.3, 0.1, 0], [0.05, 0, 0.02]]), shape, 9
    )


def test_lit_blocks_are_convolved_by_the_kernel_of_their_place():
    """The result is that of a library's correlation with the taps in the middle of a run."""
    rng = np.random.default_rng(2)
    shape = (50, 300)
    image = rng.normal(0, 1, shape).astype(np.float32)
    kernel = _kernel(shape)
    lit = np.zeros((4, 19), dtype=bool)
    lit[1, 2:15] = lit[3, 18] = True
    light = np.empty(shape, dtype=np.float32)
    predict_light(image, 0, lit, kernel, (0, 50), light)
    wanted = np.float32(1.1) * image
    for row, left, right in runs_of(lit, (0, 50)):
        taps = kernel.taps([(left + right) * 8.0], [row * 16.0 + 8.0])[0].astype(np.float64)
        part = np.s_[row * 16 : row * 16 + 16, left * 16 : right * 16]
        wanted[part] = correlate(image.astype(np.float64), taps, mode="nearest")[part]
    np.testing.assert_allclose(light, wanted, atol=2e-5)
    assert runs_of(lit, (0, 50)).tolist() == [[1, 2, 10], [1, 10, 15], [3, 18, 19]]


def test_bands_give_what_the_whole_image_gives():
    """A band with the rows around that the kernel reaches has the bits of the whole."""
    shape = (96, 80)
    image = np.random.default_rng(3).normal(0, 1, shape).astype(np.float32)
    kernel, lit = _kernel(shape), np.ones((6, 5), dtype=bool)
    whole, band = np.empty(shape, np.float32), np.empty((32, 80), np.float32)
    predict_light(image, 0, lit, kernel, (0, 96), whole)
    predict_light(image[29:67], 29, lit, kernel, (32, 64), band)
    assert np.array_equal(whole[32:64], band)


def test_gaps_are_unknown_where_they_matter():
    """A hole takes the pixels that see more than 5 % of the kernel through it."""
    image = np.ones((32, 32), dtype=np.float32)
    image[16, 16] = np.nan
    light = np.empty((32, 32), dtype=np.float32)
    predict_light(image, 0, np.ones((2, 2), dtype=bool), _kernel((32, 32)), (0, 32), light)
    assert np.isnan(light[16, 16])
    assert not np.isnan(light[16, 20])
    assert 1 <= np.isnan(light).sum() <= 25


def test_blocks_are_lit_by_stars_and_not_by_noise_or_slopes():
    """A star of five sigma lights its block, its neighbours within reach; a slope lights none."""
    rng = np.random.default_rng(4)
    y, x = np.indices((160, 192))
    image = (0.3 * rng.normal(0, 1, x.shape) + 0.02 * x).astype(np.float32)
    assert lit_blocks(image, 1.0, 4).sum() == 0
    image += (4.0 * np.exp(-((x - 70) ** 2 + (y - 94) ** 2) / 3)).astype(np.float32)
    lit = lit_blocks(image, 1.0, 4)
    assert set(map(tuple, np.argwhere(lit))) == {(5, 4), (6, 4)}
