import numpy as np
import pytest

from platelib.background.sample_grid import Lattice

CASES = [
    ((700, 1101), 64),
    ((700, 1101), 16),
    ((2100, 1000), 128),
    ((40, 61), 64),
    ((301, 997), 300),
]


def _places(lattice: Lattice) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of all samples, one by one."""
    r, c = np.indices(lattice.shape)
    rows = r * lattice.row_step + lattice.row_step // 2
    return rows, c * lattice.column_step + r // 2 % lattice.column_step


@pytest.mark.parametrize(("shape", "cell_px"), CASES)
@pytest.mark.parametrize("dtype", [">i2", ">f4", "f4", "u1"])
def test_samples_are_the_pixels_of_the_lattice(shape, cell_px, dtype):
    """Samples of any type are pixels at their places, a few rows at a time as all at once."""
    image = np.random.default_rng(1).integers(0, 99, shape).astype(dtype)
    lattice = Lattice.over(shape, cell_px)
    rows = lattice.shape[0]
    expected = image[_places(lattice)]
    for height in (1, 5, rows):
        for first in range(0, rows, height):
            last = min(rows, first + height)
            picked = lattice.pick(image[slice(*lattice.image_rows(first, last))], first, last)
            assert picked.dtype == image.dtype
            np.testing.assert_array_equal(picked, expected[first:last])


@pytest.mark.parametrize(("shape", "cell_px"), CASES)
def test_every_cell_has_its_samples(shape, cell_px):
    """Samples lie in the cells that the edges put them in, up to a step of columns."""
    lattice = Lattice.over(shape, cell_px)
    (my, mx), (rows, columns) = lattice.cells, _places(lattice)
    row_edges, column_edges = lattice.edges()
    assert (row_edges[0], row_edges[-1]) == (0, lattice.shape[0])
    assert (column_edges[0], column_edges[-1]) == (0, lattice.shape[1])
    for j in range(my):
        inside = rows[row_edges[j] : row_edges[j + 1], 0]
        assert (inside >= j * shape[0] // my).all()
        assert (inside < (j + 1) * shape[0] // my).all()
    for i in range(mx):
        inside = columns[:, column_edges[i] : column_edges[i + 1]]
        assert (inside > i * shape[1] // mx - lattice.column_step).all()
        assert (inside < (i + 1) * shape[1] // mx + lattice.column_step).all()


def test_even_and_odd_rows_and_columns_are_met_alike():
    """Of the samples half are in even rows and half in even columns, in all four combinations."""
    rows, columns = _places(Lattice.over((1600, 2100), 64))
    share = np.bincount((rows % 2 * 2 + columns % 2).ravel()) / rows.size
    np.testing.assert_allclose(share, 0.25, atol=0.01)


def test_a_small_image_is_looked_at_closely():
    """In an image of few pixels every one is a sample."""
    lattice = Lattice.over((240, 320), 64)
    assert lattice.shape == (240, 320)
    assert lattice.cells == (3, 5)
