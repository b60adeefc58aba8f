import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt, uniform_filter

from platelib.background.block_average import BLOCK_PX, mean_blocks
from platelib.background.halo_rings import set_within, squared_distances, sum_rings
from platelib.background.sky_cells import above_surface, cell_levels
from platelib.background.squares import (
    LEAST_SHARE,
    significance_of_blocks,
    significance_of_squares,
)
from platelib.background.surface import Lattice, SkySurface
from platelib.numerics.kernels import read_only

SHAPE = (71, 94)


@pytest.fixture
def planes():
    """Light, its variance, and which blocks are used: all, none and some in different areas."""
    rng = np.random.default_rng(4)
    excess, variance = rng.standard_normal(SHAPE), rng.uniform(0.5, 2, SHAPE)
    used = rng.random(SHAPE) < 0.7
    used[10:40, 20:60], used[50:60, 5:30] = False, True
    used[60:, 70:] = rng.random((11, 24)) < 0.2
    return tuple(read_only(plane) for plane in (excess, variance, used.view(np.uint8)))


@pytest.mark.parametrize("side", [1, 3, 7, 15, 31])
def test_means_of_squares_are_those_of_a_filter(planes, side):
    """Significance is the mean of a uniform filter over its noise where enough is used, bit by bit.

    Squares that hold the same blocks differ in the last bits alone, which then decide on ranks.
    """
    excess, variance, used = planes
    significance = np.empty(SHAPE)
    if side == 1:
        significance_of_blocks(*planes, significance)
    else:
        significance_of_squares(*planes, side, significance)
    light, spread, share = (
        uniform_filter(np.where(used, plane, 0.0), side, mode="constant")
        for plane in (excess, variance, np.ones(SHAPE))
    )
    judged = (used == 1) & (share > LEAST_SHARE)
    sigma = np.sqrt(np.where(judged, spread, 1)) / side
    assert 0 < judged.sum() < used.sum() or side == 1
    np.testing.assert_array_equal(significance, np.where(judged, light / sigma, np.nan))


@pytest.mark.parametrize("share", [0.0005, 0.01, 0.3])
def test_distances_are_those_of_the_distance_transform(share):
    """Squared distances are those of `scipy.ndimage`, exactly."""
    rng = np.random.default_rng(8)
    piece = rng.random(SHAPE) < share
    piece[33, 90] = True
    squared = np.empty(SHAPE, dtype=np.int32)
    squared_distances(read_only(piece.view(np.uint8)), squared)
    assert np.array_equal(squared, np.rint(distance_transform_edt(~piece) ** 2))


def test_rings_sum_what_is_sky(planes):
    """Rings have equal widths, the last one has all that is beyond; only sky without light counts.

    A radius is set from the middle of the piece on.
    """
    light, variance, known = planes
    found = np.random.default_rng(5).random(SHAPE) < 0.3
    corner, window = (12, 8), np.s_[12:52, 8:80]
    piece = np.zeros((40, 72), dtype=bool)
    piece[15:20, 30:44] = True
    squared = np.empty(piece.shape, dtype=np.int32)
    squared_distances(read_only(piece.view(np.uint8)), squared)
    count, sums = np.zeros(6, dtype=np.int64), np.zeros((2, 6))
    masks = known, read_only(found.view(np.uint8))
    sum_rings(read_only(squared), 2.5, corner, light, variance, *masks, count, sums)
    distance = distance_transform_edt(~piece)
    rings = np.minimum(distance / 2.5, 5).astype(int)
    sky = (known == 1)[window] & ~found[window]
    assert np.array_equal(count, np.bincount(rings[sky], minlength=6))
    assert np.allclose(sums[0], np.bincount(rings[sky], light[window][sky], 6))
    assert np.allclose(sums[1], np.bincount(rings[sky], variance[window][sky], 6))
    wanted = found.copy()
    wanted[window] |= distance <= 5.0
    set_within(read_only(squared), 5.0, corner, found.view(np.uint8))
    assert np.array_equal(found, wanted)


def test_cells_are_medians_of_their_sky():
    """Level, error and place of a cell are those of its blocks without light; few are no cell."""
    rng = np.random.default_rng(6)
    image = rng.standard_normal((243, 322)).astype(np.float32)
    image[:70, :60], image[100:110] = np.nan, np.nan
    blocks = mean_blocks(image, np.ones_like(image))
    lattice = Lattice(image.shape, 12 * BLOCK_PX)
    y, x = np.meshgrid(*lattice.places(), indexing="ij")
    surface = SkySurface(lattice, 3 + 0.01 * x - 0.02 * y, np.zeros_like(x))
    light = rng.random(blocks.mean.shape) < 0.3
    light[40:48, 50:60] = True
    excess = above_surface(blocks, surface)
    cells = cell_levels(blocks, light, surface, excess)
    ys, xs = blocks.centres()
    flat = np.where(blocks.known, blocks.mean - (3 + 0.01 * xs - 0.02 * ys[:, None]), 0)
    assert np.allclose(excess, flat)
    told = set(zip(cells.row.tolist(), cells.column.tolist(), strict=True))
    sky = blocks.known & ~light
    for row, column in np.ndindex(*lattice.cells):
        part = np.s_[12 * row : 12 * row + 12, 12 * column : 12 * column + 12]
        here = sky[part]
        assert (here.sum() >= 0.15 * 144) == ((row, column) in told)
        if (row, column) in told:
            k = np.flatnonzero((cells.row == row) & (cells.column == column))[0]
            down, across = np.nonzero(here)
            at = xs[12 * column + across].mean(), ys[12 * row + down].mean()
            assert (cells.x[k], cells.y[k]) == pytest.approx(at)
            values = excess[part][here]
            sky_there = 3 + 0.01 * at[0] - 0.02 * at[1]
            assert cells.level[k] == pytest.approx(np.median(values) + sky_there)
            mad = np.median(np.abs(values - np.median(values)))
            error = 1.2533 * 1.4826 * mad / np.sqrt(here.sum())
            assert cells.error[k] == pytest.approx(error, rel=1e-4)
    assert 0 < len(told) < lattice.cells[0] * lattice.cells[1]
