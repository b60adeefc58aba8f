import numpy as np
import pytest
from scipy.ndimage import binary_dilation

from platelib.background.measure_mesh import _sort_columns, interpolate, sky_mesh
from platelib.simulate.psf import add_stars, moffat_image

SHAPE = (480, 641)
SKY, READ_NOISE = 300.0, 3.0


def _exposure(seed: int, x, y, flux, sky: float | np.ndarray = SKY):
    """An exposure of stars in electrons."""
    rng = np.random.default_rng(seed)
    light = np.zeros(SHAPE, dtype=np.float32)
    add_stars(light, x, y, flux, moffat_image(2.8, 3.3))
    return (rng.poisson(light + sky) + rng.normal(0, READ_NOISE, SHAPE)).astype(np.float32)


def _field(seed: int):
    """Places of well separated stars, at random phases."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(30, 611, 40.0), np.arange(30, 451, 40.0))
    x, y = x.ravel(), y.ravel()
    return x + rng.uniform(-2, 2, x.size), y + rng.uniform(-2, 2, y.size)


def _slow_mesh(image: np.ndarray, cell_px: int):
    """Level and noise of cells from every other pixel, staggered, of every third row."""
    rows = np.arange(1, image.shape[0], 3)
    columns = np.arange(0, image.shape[1] - 1, 2)
    samples = np.stack([image[y, columns + (r // 2) % 2] for r, y in enumerate(rows)])
    usable = np.isfinite(samples)
    shape = image.shape[0] // cell_px, image.shape[1] // cell_px
    cell_of_row = np.searchsorted(
        np.arange(1, shape[0]) * image.shape[0] // shape[0], rows, "right"
    )
    edges = np.arange(1, shape[1]) * image.shape[1] // shape[1] // 2
    cell_of_column = np.searchsorted(edges, columns // 2, "right")

    def cells(use, row_step):
        level, noise = np.full((2, *shape), np.nan, dtype=np.float32)
        for j, i in np.ndindex(shape):
            part = np.ix_(np.flatnonzero(cell_of_row == j)[::row_step], cell_of_column == i)
            values = np.sort(samples[part][use[part]])
            if len(values) < max(16, 0.25 * samples[part].size if row_step == 1 else 0):
                continue
            while True:
                sigma = np.median(values) - values[int(0.15865525393145707 * len(values))]
                kept = values[values <= np.median(values) + np.float32(3) * sigma]
                if len(kept) == len(values) or len(kept) < 16:
                    break
                values = kept
            quarter = len(values) // 4
            level[j, i] = values[quarter : len(values) - quarter].astype(np.float64).mean()
            noise[j, i] = sigma
        return level, noise

    level, noise = cells(usable, samples.size // (shape[0] * shape[1]) // 160)
    limit = level + np.float32(3) * noise
    bright = usable & (samples > limit[np.ix_(cell_of_row, cell_of_column)])
    again = cells(usable & ~binary_dilation(bright, np.ones((3, 5))), 1)
    return [
        np.where(np.isnan(new), old, new) for new, old in zip(again, (level, noise), strict=True)
    ]


def test_mesh_equals_the_slow_one():
    """The kernels give what sorting cell by cell gives: noise exactly, levels to rounding."""
    rng = np.random.default_rng(99)
    image = rng.normal(100, 7, (700, 1101)).astype(np.float32)
    add_stars(image, *rng.uniform(0, 700, (2, 300)), 5e3, moffat_image(3.0, 3.0))
    image[200:300, 300:340] = np.nan
    image[500, 600] = np.inf
    mesh = sky_mesh(image, 64)
    level, noise = _slow_mesh(image, 64)
    np.testing.assert_allclose(mesh.noise, noise, rtol=2e-3)
    np.testing.assert_allclose(mesh.level, level, atol=2e-3 * 7)


@pytest.mark.parametrize("size", [1, 2, 3, 5, 16, 31, 64, 100, 726])
def test_columns_are_sorted(size):
    """Every column is sorted as numpy sorts it, infinities last."""
    table = np.random.default_rng(size).normal(0, 1, (size, 7)).astype(np.float32)
    table[table > 1.5] = np.inf
    expected = np.sort(table, axis=0)
    _sort_columns(table)
    np.testing.assert_array_equal(table, expected)


@pytest.mark.parametrize("cell", [32, 64, 128, 256])
def test_a_part_of_the_pixels_tells_the_sky(cell):
    """In large frames cells are right to 0.06 of the noise, the noise as a whole to 2 %."""
    image = np.random.default_rng(cell).normal(50, 4, (1600, 2100)).astype(np.float32)
    mesh = sky_mesh(image, cell)
    assert np.sqrt(np.mean((mesh.level - 50) ** 2)) < 0.06 * 4
    assert mesh.level.mean() == pytest.approx(50, abs=0.01 * 4)
    assert np.median(mesh.noise) == pytest.approx(4, rel=0.02)
    assert mesh.noise.std() < 0.1 * 4


@pytest.mark.parametrize(("rows", "columns"), [(2.0, 0.0), (0.0, 2.0), (1.0, 1.0)])
def test_even_and_odd_rows_and_columns_count_alike(rows, columns):
    """A level that alternates between rows or columns is met half and half."""
    y, x = np.indices((1600, 2100))
    image = np.random.default_rng(2).normal(50, 4, y.shape) + rows * (y % 2) + columns * (x % 2)
    level = sky_mesh(image.astype(np.float32), 64).level
    assert level.mean() == pytest.approx(51, abs=0.05)


def test_interpolation_follows_a_plane():
    """Between the centres of cells a plane is followed; beyond the outer ones it stays level."""
    image = np.zeros((130, 200), dtype=np.float32)
    u, v = sky_mesh(image, 50).centres()
    plane = 3 + 0.5 * u - 0.25 * v
    for y, x in ((40.0, 60.0), (90.5, 110.25)):
        assert interpolate(plane, image.shape, y, x) == pytest.approx(3 + 0.5 * x - 0.25 * y)
    assert interpolate(plane, image.shape, 0.0, 0.0) == plane[0, 0]
    assert interpolate(plane, image.shape, 129.0, 199.0) == plane[-1, -1]


def test_sky_is_right_under_stars_and_gradient():
    """Under a star field and a gradient the sky is right within 0.1 of its noise."""
    rng = np.random.default_rng(90)
    x, y = rng.uniform(0, 640, 350), rng.uniform(0, 480, 350)
    flux = 10 ** rng.uniform(2.5, 5, 350)
    rows, columns = np.indices(SHAPE)
    sky = SKY + 0.1 * (columns - 320) - 0.05 * (rows - 240)
    image = _exposure(91, x, y, flux, sky=sky)
    mesh = sky_mesh(image, 64)
    u, v = mesh.centres()
    truth = SKY + 0.1 * (u - 320) - 0.05 * (v - 240)
    noise = np.sqrt(SKY + READ_NOISE**2)
    assert abs(np.mean(mesh.level - truth)) < 0.06 * noise
    assert np.abs(mesh.level - truth).max() < 0.3 * noise


def test_noise_is_right():
    """The noise of a starless sky is measured within 2 %, with some stars within 5 %."""
    empty = np.zeros(0)
    image = _exposure(92, empty, empty, empty)
    noise = np.sqrt(SKY + READ_NOISE**2)
    assert sky_mesh(image, 64).noise.mean() == pytest.approx(noise, rel=0.02)
    x, y = _field(18)
    image = _exposure(93, x, y, 2e4)
    assert np.median(sky_mesh(image, 64).noise) == pytest.approx(noise, rel=0.05)


def test_sky_of_a_constant_is_the_constant():
    """A constant image has its level as sky, and no noise; missing data do not matter."""
    image = np.full((150, 211), 42, dtype=np.float32)
    image[:64, :70] = np.nan
    mesh = sky_mesh(image, 64)
    assert mesh.level.shape == (2, 3)
    assert (mesh.level == 42).all()
    assert (mesh.noise == 0).all()


def test_cells_cover_the_frame():
    """The centres of the cells are the means of the pixels that they hold."""
    y, x = np.indices((130, 200), dtype=np.float32)
    for plane, centres in zip((x, y), sky_mesh(x, 50).centres(), strict=True):
        level = sky_mesh(plane, 50).level
        np.testing.assert_allclose(level, centres, atol=1.0)


def test_a_cell_without_data_takes_its_neighbours_sky():
    """In a gradient, a missing block of cells goes on from beside it, not from the middle."""
    rng = np.random.default_rng(94)
    y, x = np.indices((520, 780), dtype=np.float32)
    image = (300 + x + rng.normal(0, 4, y.shape)).astype(np.float32)
    truth = sky_mesh(image, 64).level
    image[128:330, :200] = np.nan
    mesh = sky_mesh(image, 64)
    assert np.abs(mesh.level - truth).max() < 200  # the median of all cells is 390 away
    assert np.abs(mesh.level - truth)[2:5, 0].max() < 140
    assert np.isfinite(mesh.noise).all()
    assert mesh.noise.min() > 0


@pytest.mark.parametrize("sigma", [0.7, 1.0, 1.3, 1.6, 2.5, 4.0])
def test_noise_of_whole_counts_does_not_come_in_steps(sigma):
    """With the twelfth of a count that rounding adds to the variance, it is not understated."""
    rng = np.random.default_rng(95)
    for level in (360.0, 360.3, 360.5):
        image = np.round(rng.normal(level, sigma, (260, 330))).astype(np.float32)
        mesh = sky_mesh(image, 64)
        truth = np.sqrt(sigma**2 + 1 / 12)
        assert 0.97 < np.median(mesh.noise) / truth < (1.4 if sigma < 0.8 else 1.12)
        assert np.median(mesh.level) == pytest.approx(level, abs=0.12 if sigma >= 1 else 0.5)
